//! Files in and out. Sources are opened for reading only; what is written appears whole or not at
//! all.

pub mod atomic;
pub mod decode;
pub mod hash;
pub mod riff;
pub mod wav;

/// The file that marks a folder as a delivery and says what stands in it. A survey passes such
/// folders by: what came out must not go in again.
pub const DELIVERY_MANIFEST: &str = ".seamwright-delivery.json";
