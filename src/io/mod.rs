//! Files in and out. Sources are opened for reading only; what is written appears whole or not at
//! all.

pub mod atomic;
pub mod decode;
pub mod riff;
pub mod wav;
