//! What Ctrl-C and the system's request to end do: ask whatever runs at the moment to stop, or end
//! the program when nothing does.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

type Reaction = Arc<dyn Fn() + Send + Sync>;

static REACTION: Mutex<Option<Reaction>> = Mutex::new(None);

/// Exit code of a program that was interrupted (128 + signal 2, common practice, no source).
const INTERRUPTED: i32 = 130;

fn reaction() -> MutexGuard<'static, Option<Reaction>> {
    // The slot holds one whole value or none: a panic elsewhere leaves nothing half-done in it.
    REACTION.lock().unwrap_or_else(PoisonError::into_inner)
}

/// While this lives, an interruption calls the function it was made with.
#[derive(Debug)]
pub struct Interrupt(());

impl Interrupt {
    /// From now on an interruption calls `react`.
    pub fn calls(react: impl Fn() + Send + Sync + 'static) -> Self {
        *reaction() = Some(Arc::new(react));
        // Fails only when the handler is set already, which is what is wanted.
        let _ = ctrlc::set_handler(interrupted);
        Self(())
    }
}

impl Drop for Interrupt {
    fn drop(&mut self) {
        *reaction() = None;
    }
}

fn interrupted() {
    let react = reaction().clone();
    match react {
        Some(react) => react(),
        None => std::process::exit(INTERRUPTED),
    }
}
