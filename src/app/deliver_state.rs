//! What the deliver room knows beyond the document: how its folder stands, how loud the takes are.

use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::work::{Event, Runner};
use crate::jobs::Job;
use crate::render::level::Loudness;
use crate::render::standing::{Measured, Standing, standing};
use crate::session::{Document, TakeId};

/// What was found out for the deliver room; the old stays until the new is there.
#[derive(Debug, Default)]
pub struct DeliverDerived {
    standing: Option<Arc<Standing>>,
    levels: HashMap<TakeId, (String, Loudness)>,
    /// The folder that the last delivery could not begin in, and why.
    failed: Option<(PathBuf, String)>,
    version: u64,
}

impl DeliverDerived {
    /// How the folder stands to what would be written.
    pub fn standing(&self) -> Option<&Arc<Standing>> {
        self.standing.as_ref()
    }

    /// How loud a take is, with the hash of the sound that this was measured of.
    pub fn level(&self, take: TakeId) -> Option<&(String, Loudness)> {
        self.levels.get(&take)
    }

    /// Why the last delivery into this folder could not begin.
    pub fn failed(&self, folder: &Path) -> Option<&str> {
        self.failed.as_ref().filter(|(f, _)| f == folder).map(|(_, why)| why.as_str())
    }

    /// Keeps why a delivery could not begin in a folder; none: it did.
    pub fn set_failed(&mut self, failed: Option<(PathBuf, String)>) {
        self.failed = failed;
        self.version += 1;
    }

    /// Grows with every change of what is known here.
    pub fn version(&self) -> u64 {
        self.version
    }

    /// Keeps a measured level.
    pub fn set_level(&mut self, m: Measured) {
        self.levels.insert(m.take, (m.sound, m.loudness));
        self.version += 1;
    }

    /// Keeps how the folder stands, and the levels that earlier deliveries measured.
    pub fn set_standing(&mut self, standing: Standing) {
        for m in &standing.levels {
            self.levels.insert(m.take, (m.sound.clone(), m.loudness));
        }
        self.standing = Some(Arc::new(standing));
        self.version += 1;
    }

    /// Every loudness that is known, by the sound it was measured of.
    pub fn known(&self) -> HashMap<String, Loudness> {
        self.levels.values().cloned().collect()
    }
}

/// Asks how the folder stands, once for each state of document, folder and levels.
#[derive(Debug, Default)]
pub struct DeliverWork {
    asked: Option<(u64, PathBuf, u64)>,
    busy: bool,
}

impl DeliverWork {
    /// Starts to look, if there is anything new to look at and nobody looks already.
    pub fn step(
        &mut self,
        session_path: &Path,
        (document, revision): (&Arc<Document>, u64),
        derived: &DeliverDerived,
        runner: &Runner,
        session: u64,
    ) {
        let folder = document.setup.delivery.folder_of(session_path);
        let levels = derived.levels.len() as u64;
        let key = (revision, folder.clone(), levels);
        if self.busy || self.asked.as_ref() == Some(&key) {
            return;
        }
        self.asked = Some(key);
        self.busy = true;
        let (path, document, known) = (session_path.to_path_buf(), Arc::clone(document), derived.known());
        runner.spawn(
            &Job::new(),
            move |_, _| standing(&path, &document, &folder, &known),
            move |result| Event::Standing { session, result: result.map(Box::new) },
        );
    }

    /// The answer is there.
    pub fn ended(&mut self) {
        self.busy = false;
    }

    /// What stands in the folder may be something else by now.
    pub fn look_again(&mut self) {
        self.asked = None;
    }
}
