//! What a step of the undo history is about: which takes it changed.

use std::collections::HashMap;
use std::sync::Arc;

use super::document::Document;
use super::take::{Take, TakeId};

/// The takes that differ between two documents, in words: the name of the one, or how many; none where
/// no take differs. A take that only got or lost a concern because of another one is not counted beside
/// that.
pub fn about(before: &Document, after: &Document) -> Option<String> {
    let old: HashMap<TakeId, &Arc<Take>> = before.takes.iter().map(|t| (t.id, t)).collect();
    let differs = |t: &&Arc<Take>| old.get(&t.id).is_none_or(|o| !Arc::ptr_eq(o, t) && o != t);
    let changed: Vec<&Arc<Take>> = after.takes.iter().filter(differs).collect();
    let bare = |t: &Take| Take { concerns: Vec::new(), ..t.clone() };
    let itself = |t: &&&Arc<Take>| old.get(&t.id).is_none_or(|o| bare(o) != bare(t));
    let own: Vec<&Arc<Take>> = changed.iter().filter(itself).copied().collect();
    let counted = if own.is_empty() { changed } else { own };
    match counted[..] {
        [] => None,
        // As it was called when the step was made.
        [one] => Some(old.get(&one.id).map_or_else(|| after.name_of(one), |o| before.name_of(o))),
        _ => Some(format!("{} takes", counted.len())),
    }
}

/// The name of a step: its label with what it is about, where the label does not say so already.
pub fn named(label: &str, about: Option<&str>) -> String {
    match about {
        Some(about) if !label.contains(about) && !label.contains(" takes") && !label.ends_with(" take") => {
            format!("{label}: {about}")
        }
        _ => label.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::named;

    #[test]
    fn what_a_label_says_is_not_said_again() {
        assert_eq!(named("Set drift", Some("C4, layer 2")), "Set drift: C4, layer 2");
        assert_eq!(named("Accept C4, layer 2", Some("C4, layer 2")), "Accept C4, layer 2");
        assert_eq!(named("Accept 3 takes", Some("3 takes")), "Accept 3 takes");
        assert_eq!(named("Set A4", None), "Set A4");
    }
}
