//! Sound in memory: an immutable buffer that is cheap to share, its levels, and test signals.

pub mod buffer;
pub mod level;
pub mod signals;

pub use buffer::{AudioBuf, Clip};
