//! Looking through many takes: which are selected, which are shown, and in which order.
//!
//! Nothing here knows a widget; all of it may be lost.

use std::cmp::Ordering;
use std::collections::BTreeSet;

use crate::render::tuning::tuning_row;
use crate::session::{ConcernKind, Document, Sheet, Take, TakeId, TakeState};

/// How the takes are looked through.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Triage {
    /// Takes selected besides the one that all rooms show; never that one itself.
    pub also: BTreeSet<TakeId>,
    /// What the sheet shows.
    pub listing: Listing,
    /// After a decision it goes on to the next take to look at.
    pub go_on: bool,
}

/// What the sheet room shows of the takes.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Listing {
    /// In which form.
    pub form: Form,
    /// How the list is sorted.
    pub order: Order,
    /// The other way round.
    pub descending: bool,
    /// Which takes.
    pub filter: Filter,
}

/// The forms of the sheet room.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Form {
    /// Notes down, layers across.
    #[default]
    Cells,
    /// A row for each take.
    List,
    /// The same with what its pitch does.
    Tuning,
}

/// What the list can be sorted by.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Order {
    /// By note, then by layer.
    #[default]
    Sheet,
    /// What needs a look first, the worst concern first among those.
    Look,
    /// The worst concern first.
    Concern,
    /// The lowest loop score first.
    Score,
    /// The smallest distance from the target first.
    Centre,
    /// The softest first.
    Level,
}

/// Which states are shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum StateFilter {
    /// Whatever the state.
    #[default]
    All,
    /// Those that nobody has decided about.
    Open,
    /// Those in one state.
    Only(TakeState),
    /// No take, but the places without one.
    Missing,
}

/// Which concerns are shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum ConcernFilter {
    /// With or without.
    #[default]
    All,
    /// Those with a concern.
    Any,
    /// Those without.
    None,
    /// Those with this one.
    Kind(ConcernKind),
}

/// Which takes are shown.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Filter {
    /// By state.
    pub state: StateFilter,
    /// By concern.
    pub concern: ConcernFilter,
    /// Only takes with a loop score under this, 0 to 100; a take without a loop is under every score.
    pub under: Option<f64>,
}

impl Filter {
    /// Nothing is left out.
    pub fn is_open(&self) -> bool {
        *self == Self::default()
    }

    /// Whether a take is shown.
    pub fn shows(&self, take: &Take) -> bool {
        let state = match self.state {
            StateFilter::All => true,
            StateFilter::Open => take.needs_a_look(),
            StateFilter::Only(s) => take.state == s,
            StateFilter::Missing => false,
        };
        let concern = match self.concern {
            ConcernFilter::All => true,
            ConcernFilter::Any => !take.concerns.is_empty(),
            ConcernFilter::None => take.concerns.is_empty(),
            ConcernFilter::Kind(k) => take.concerns.iter().any(|c| c.kind == k),
        };
        let score = self.under.is_none_or(|most| take.loop_score().is_none_or(|s| s < most));
        state && concern && score
    }

    /// Whether places without a take stand out as what was looked for.
    pub fn shows_missing(&self) -> bool {
        self.is_open() || self.state == StateFilter::Missing
    }
}

impl Listing {
    /// The takes that are shown, in the order in which they are: keys walk through them so.
    pub fn walk(&self, document: &Document, sheet: &Sheet) -> Vec<TakeId> {
        let filter = self.filter;
        let shown = |id: &TakeId| document.take(*id).is_some_and(|t| filter.shows(t));
        let mut walk: Vec<TakeId> = sheet.walk().into_iter().filter(shown).collect();
        if self.form != Form::List {
            return walk;
        }
        if self.order == Order::Sheet {
            if self.descending {
                walk.reverse();
            }
            return walk;
        }
        let mut keyed: Vec<_> = walk
            .iter()
            .filter_map(|id| Some((*id, key(self.order, document.take(*id)?, document))))
            .collect();
        // A stable sort: takes that are alike stay as the sheet has them.
        keyed.sort_by(|(_, a), (_, b)| compare(*a, *b, self.descending));
        keyed.into_iter().map(|(id, _)| id).collect()
    }
}

/// What a take is sorted by; none: not known.
fn key(order: Order, take: &Take, document: &Document) -> Option<f64> {
    let worst = take.worst_concern().map(|c| c.kind);
    match order {
        Order::Sheet => None,
        Order::Look => Some(f64::from(look_rank(take))),
        Order::Concern => worst.map(|k| f64::from(k as u8)),
        Order::Score => take.loop_score(),
        Order::Centre => tuning_row(take, document.setup.a4).centre.map(|c| c.0.abs()),
        Order::Level => Some(take.level.0),
    }
}

/// Undecided takes with a concern that matters come first (the worst of them first), then those with
/// another concern, then the rest, then what is decided.
fn look_rank(take: &Take) -> u16 {
    let worst = take.worst_concern().map(|c| c.kind);
    match (take.needs_a_look(), worst) {
        (true, Some(k)) if k.needs_a_look() => k as u16,
        (true, Some(k)) => 1000 + k as u16,
        (true, None) => 2000,
        (false, _) => 3000,
    }
}

/// What is not known stands last, whichever way round.
fn compare(a: Option<f64>, b: Option<f64>, descending: bool) -> Ordering {
    match (a, b) {
        (Some(x), Some(y)) if descending => y.total_cmp(&x),
        (Some(x), Some(y)) => x.total_cmp(&y),
        (x, y) => x.is_none().cmp(&y.is_none()),
    }
}

/// The next take in `walk` after `from` that nobody has decided about, coming round to the start.
/// Where `from` is not among them, it goes by its place in the sheet.
pub fn next_open(
    walk: &[TakeId],
    from: Option<TakeId>,
    document: &Document,
    sheet: &Sheet,
) -> Option<TakeId> {
    let open = |id: &TakeId| document.take(*id).is_some_and(|t| t.needs_a_look());
    let after = match from.map(|f| (f, walk.iter().position(|t| *t == f))) {
        None => 0,
        Some((_, Some(i))) => i + 1,
        // A decision may have put it out of what is shown; the one that took its place is next.
        Some((f, None)) => {
            let all = sheet.walk();
            let at = all.iter().position(|t| *t == f).unwrap_or(0);
            walk.iter().position(|t| all.iter().position(|a| a == t) > Some(at)).unwrap_or(0)
        }
    };
    (0..walk.len()).map(|i| walk[(after + i) % walk.len()]).find(open)
}

/// The selection after `id` was added to it or taken out of it: the take that all rooms show, and
/// those besides it. The last one stays.
pub fn toggled(
    selected: Option<TakeId>,
    also: &BTreeSet<TakeId>,
    id: TakeId,
) -> (Option<TakeId>, BTreeSet<TakeId>) {
    let mut also = also.clone();
    if selected == Some(id) {
        let next = also.pop_first().or(selected);
        return (next, also);
    }
    if also.remove(&id) {
        return (selected, also);
    }
    also.extend(selected);
    (Some(id), also)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::session::{Concern, SourceId};
    use crate::units::{Cents, Decibels, Frame, FrameRange, MidiNote};

    fn take(id: u32, note: u8, state: TakeState, concerns: &[ConcernKind]) -> Take {
        Take {
            id: TakeId(id),
            source: SourceId(1),
            span: FrameRange::new(0, 10),
            onset: Frame(0),
            sounds: None,
            f0: None,
            cents: Cents(0.0),
            movement: None,
            level: Decibels(-20.0 - f64::from(id)),
            snr: None,
            named: None,
            note: Some(MidiNote(note)),
            layer: 0,
            state,
            concerns: concerns.iter().map(|k| Concern::new(*k, "x")).collect(),
            recipe: None,
        }
    }

    fn four() -> (Document, Sheet) {
        use ConcernKind::{Clipped, Noisy, WrongNote};
        let takes = [
            take(1, 60, TakeState::New, &[Noisy]),
            take(2, 61, TakeState::Accepted, &[WrongNote]),
            take(3, 62, TakeState::Proposed, &[]),
            take(4, 63, TakeState::New, &[Clipped, Noisy]),
        ];
        let d = Document { takes: takes.into_iter().map(Into::into).collect(), ..Document::default() };
        let sheet = Sheet::of(&d);
        (d, sheet)
    }

    fn ids(walk: &[TakeId]) -> Vec<u32> {
        walk.iter().map(|t| t.0).collect()
    }

    fn walk(listing: Listing) -> Vec<u32> {
        let (d, sheet) = four();
        ids(&listing.walk(&d, &sheet))
    }

    #[test]
    fn each_order_is_what_it_says() {
        let by =
            |order, descending| walk(Listing { form: Form::List, order, descending, ..Listing::default() });
        assert_eq!(by(Order::Sheet, false), [1, 2, 3, 4]);
        assert_eq!(by(Order::Sheet, true), [4, 3, 2, 1]);
        // Clipped and undecided; only noisy; nothing; decided, however bad.
        assert_eq!(by(Order::Look, false), [4, 1, 3, 2]);
        assert_eq!(by(Order::Concern, false), [2, 4, 1, 3]);
        assert_eq!(by(Order::Concern, true), [1, 4, 2, 3], "no concern stands last either way");
        assert_eq!(by(Order::Level, false), [4, 3, 2, 1]);
        assert_eq!(by(Order::Score, false), [1, 2, 3, 4], "nothing is known of any");
        // The grid stays a grid.
        assert_eq!(walk(Listing { order: Order::Look, ..Listing::default() }), [1, 2, 3, 4]);
    }

    #[test]
    fn each_filter_is_what_it_says() {
        let with = |filter| walk(Listing { filter, ..Listing::default() });
        let state = |state| with(Filter { state, ..Filter::default() });
        let concern = |concern| with(Filter { concern, ..Filter::default() });
        assert_eq!(state(StateFilter::Open), [1, 3, 4]);
        assert_eq!(state(StateFilter::Only(TakeState::Accepted)), [2]);
        assert!(state(StateFilter::Missing).is_empty());
        assert_eq!(concern(ConcernFilter::Any), [1, 2, 4]);
        assert_eq!(concern(ConcernFilter::None), [3]);
        assert_eq!(concern(ConcernFilter::Kind(ConcernKind::Noisy)), [1, 4]);
        assert_eq!(with(Filter { under: Some(50.0), ..Filter::default() }), [1, 2, 3, 4], "none has a loop");
        let filter = Filter { state: StateFilter::Missing, ..Filter::default() };
        assert!(walk(Listing { form: Form::Tuning, filter, ..Listing::default() }).is_empty());
    }

    #[test]
    fn the_next_one_comes_round_and_survives_being_filtered_out() {
        let (d, sheet) = four();
        let all = sheet.walk();
        let next = |walk: &[TakeId], from| next_open(walk, from, &d, &sheet).map(|t| t.0);
        assert_eq!(next(&all, Some(TakeId(1))), Some(3), "2 is decided");
        assert_eq!(next(&all, Some(TakeId(4))), Some(1));
        assert_eq!(next(&all, None), Some(1));
        // 2 was decided and is not shown any more: on from its place.
        let shown = [TakeId(1), TakeId(3), TakeId(4)];
        assert_eq!(next(&shown, Some(TakeId(2))), Some(3));
        assert_eq!(next(&[], Some(TakeId(2))), None);
        assert_eq!(next(&[TakeId(2)], None), None);
    }

    #[test]
    fn toggling_never_leaves_nothing() {
        let id = TakeId;
        let (one, also) = toggled(Some(id(1)), &BTreeSet::new(), id(2));
        assert_eq!((one, also.clone()), (Some(id(2)), BTreeSet::from([id(1)])));
        let (one, also) = toggled(one, &also, id(2));
        assert_eq!((one, also.clone()), (Some(id(1)), BTreeSet::new()));
        assert_eq!(toggled(one, &also, id(1)), (Some(id(1)), BTreeSet::new()));
        let three = BTreeSet::from([id(1), id(3)]);
        assert_eq!(toggled(Some(id(2)), &three, id(3)), (Some(id(2)), BTreeSet::from([id(1)])));
    }
}
