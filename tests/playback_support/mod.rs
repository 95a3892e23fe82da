//! Counts what a watched thread asks of the memory allocator.

use std::alloc::{GlobalAlloc, Layout, System};
use std::cell::Cell;

struct Counting;

thread_local! {
    static WATCHED: Cell<bool> = const { Cell::new(false) };
    static TOUCHED: Cell<u64> = const { Cell::new(0) };
}

fn touch() {
    // A thread that is ending has no thread-locals any more; it is not being watched either.
    let _ = WATCHED.try_with(|w| {
        if w.get() {
            let _ = TOUCHED.try_with(|t| t.set(t.get() + 1));
        }
    });
}

// SAFETY: everything is passed on unchanged to the system's allocator.
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        touch();
        unsafe { System.alloc(layout) }
    }
    unsafe fn dealloc(&self, at: *mut u8, layout: Layout) {
        touch();
        unsafe { System.dealloc(at, layout) }
    }
    unsafe fn realloc(&self, at: *mut u8, layout: Layout, size: usize) -> *mut u8 {
        touch();
        unsafe { System.realloc(at, layout, size) }
    }
}

#[global_allocator]
static ALLOCATOR: Counting = Counting;

/// How often `work` asked for or gave back memory.
pub fn touches(work: impl FnOnce()) -> u64 {
    TOUCHED.set(0);
    WATCHED.set(true);
    work();
    WATCHED.set(false);
    TOUCHED.get()
}
