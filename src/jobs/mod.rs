//! Long work: what it reports and how it is stopped. Knows nothing of sound.

pub mod interrupt;
pub mod pool;
pub mod progress;

pub use interrupt::Interrupt;
pub use pool::{Pool, Revision};
pub use progress::{Cancel, Job};
