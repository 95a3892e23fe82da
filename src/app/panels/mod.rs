//! One struct a panel: `ui(&mut self, ui, &view) -> Vec<Command>`; its fields are only what may be
//! lost.

pub mod bench;
