//! The system's folder dialog and its way to open a file, without blocking a frame.

use std::future::Future;
use std::path::{Path, PathBuf};
use std::pin::pin;
use std::sync::Arc;
use std::task::{Context, Poll, Wake, Waker};
use std::thread::{self, Thread};
use std::time::{Duration, Instant};

/// Nobody reads a dialog and closes it faster than this: it did not open.
const AT_ONCE: Duration = Duration::from_millis(250);

/// Asks for a folder; `then` gets it (none: cancelled) on another thread, and whether the answer
/// came at once, which means that no dialog could be opened.
pub fn choose_folder(
    title: &str,
    start: Option<&Path>,
    then: impl FnOnce(Option<PathBuf>, bool) + Send + 'static,
) {
    let mut dialog = rfd::AsyncFileDialog::new().set_title(title).set_can_create_directories(true);
    if let Some(folder) = start {
        dialog = dialog.set_directory(folder);
    }
    // Some systems want the dialog made on the main thread, none wants it waited for there.
    let asked = Instant::now();
    let answer = dialog.pick_folder();
    thread::spawn(move || {
        let path = wait_for(answer).map(|handle| handle.path().to_path_buf());
        then(path, asked.elapsed() < AT_ONCE);
    });
}

/// Hands a file to the program that the system opens such files with.
pub fn open_file(path: &Path) -> std::io::Result<()> {
    let opener = if cfg!(target_os = "macos") {
        "open"
    } else if cfg!(target_os = "windows") {
        "explorer"
    } else {
        "xdg-open"
    };
    let mut child = std::process::Command::new(opener).arg(path).spawn()?;
    // Somebody has to hear that it ended; what it ended with is shown by itself.
    thread::spawn(move || drop(child.wait()));
    Ok(())
}

struct Unpark(Thread);

impl Wake for Unpark {
    fn wake(self: Arc<Self>) {
        self.0.unpark();
    }
}

fn wait_for<T>(future: impl Future<Output = T>) -> T {
    let waker = Waker::from(Arc::new(Unpark(thread::current())));
    let mut context = Context::from_waker(&waker);
    let mut future = pin!(future);
    loop {
        match future.as_mut().poll(&mut context) {
            Poll::Ready(value) => return value,
            Poll::Pending => thread::park(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_until_woken_from_another_thread() {
        let mut asked = 0;
        let value = wait_for(std::future::poll_fn(move |cx| {
            asked += 1;
            if asked == 3 {
                return Poll::Ready(asked);
            }
            let waker = cx.waker().clone();
            thread::spawn(move || waker.wake());
            Poll::Pending
        }));
        assert_eq!(value, 3);
    }
}
