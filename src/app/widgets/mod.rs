//! Pieces that panels draw with.
