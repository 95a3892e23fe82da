//! The other layers: outlines with their signs and numbers, takes in the lane of the file.

use super::*;
use bench_support::worked_of;
use painted_support::{paths, signs, texts, touching, within};
use seamwright::app::theme::LAYERS;
use seamwright::session::{Take, TakeId};
use seamwright::units::FrameRange;

/// The note of layer 1 and another layer's, so much louder.
fn beside(gain: f32) -> Bench<'static> {
    bench(worked_of(&[note(0, 3.0), note(1, 3.2).scaled(gain).unwrap()]))
}

fn wave_lane(h: &Bench<'_>) -> egui::Rect {
    h.get_by_label_contains("Wave from").rect()
}

/// Whether a line in the wave lane runs along the height at which the lane ends for amplitudes: 20 points from
/// either edge, which are kept for the flags.
fn runs_flat(h: &Bench<'_>) -> bool {
    let lane = wave_lane(h);
    let edges = [lane.top() + 20.0, lane.bottom() - 20.0];
    let lines = paths(&touching(h.output(), lane));
    let flat = |w: &[Pos2]| w.iter().all(|p| edges.iter().any(|y| (p.y - y).abs() < 0.1));
    lines.iter().filter(|p| !p.closed).any(|p| p.points.windows(4).any(flat))
}

/// Double arrowheads at the upper and the lower edge of the lane, each with the number of layer 2 beside it. They are
/// lines: filled triangles are the signs of layers.
fn arrows(h: &Bench<'_>) -> (usize, usize) {
    let lane = wave_lane(h);
    let small = |p: &egui::epaint::PathShape| p.points.len() == 3 && p.visual_bounding_rect().width() < 12.0;
    let painted = within(h.output(), lane);
    let all: Vec<_> = paths(&painted).into_iter().filter(small).collect();
    let near = |y: f32| {
        let heads = all.iter().map(|p| p.visual_bounding_rect()).filter(|r| (r.center().y - y).abs() < 4.0);
        let heads: Vec<_> = heads.collect();
        let numbers = texts(&painted, "2").into_iter().map(|t| t.visual_bounding_rect());
        let numbers = numbers.filter(|n| heads.iter().any(|r| (r.right() - n.left()).abs() < 6.0)).count();
        // Two heads a mark; the number of those at the other edge is counted there as well.
        assert_eq!(heads.len() % 2, 0);
        assert!(numbers >= heads.len() / 2, "{numbers} {}", heads.len());
        assert!(all.iter().all(|p| !p.closed || (p.visual_bounding_rect().center().y - y).abs() > 4.0));
        heads.len() / 2
    };
    // 20 points are kept for the flags at either edge.
    (near(lane.top() + 19.0), near(lane.bottom() - 19.0))
}

/// Three times the amplitude are 9.5 dB: the layer's outline is not cut off along the edge, which would look like
/// clipping; double arrowheads say that it goes on, and words by how much.
#[test]
fn a_louder_layer_goes_on_beyond_the_edge_and_says_by_how_much() {
    let h = beside(3.0);
    let told = "Layer 2 (square) as an outline: at its loudest 9.5 dB louder than this take";
    let mark = h.get_by_label_contains(told).rect();
    assert!(wave_lane(&h).contains_rect(mark), "{mark}");
    assert!(!runs_flat(&h));
    let (above, below) = arrows(&h);
    assert!(above >= 1 && below >= 1, "{above} {below}");
    // As loud as the take it has all its room.
    let h = beside(1.0);
    assert!(h.query_by_label("Layer 2 (square) as an outline").is_some());
    assert!(!runs_flat(&h));
    assert_eq!(arrows(&h), (0, 0));
}

/// Each outline has its number and the sign of its layer, in its colour, one below the other.
#[test]
fn outlines_have_the_signs_and_numbers_of_their_layers() {
    let h = bench(worked(3, 3.0));
    let mut last = f32::MIN;
    for (layer, corners) in [(1usize, 4), (2, 3)] {
        let mark = h.get_by_label_contains(&format!("Layer {} (", layer + 1)).rect();
        let painted = within(h.output(), mark.expand(4.0));
        assert_eq!(texts(&painted, &(layer + 1).to_string()).len(), 1, "{layer}");
        assert!(
            signs(&painted, LAYERS[layer]).contains(&corners),
            "{layer}: {:?}",
            signs(&painted, LAYERS[layer])
        );
        assert!(mark.top() > last && wave_lane(&h).contains_rect(mark), "{layer}: {mark}");
        last = mark.top();
    }
}

/// One file with three takes: each has the sign of its layer in the lane of the file, so that no colour stands
/// alone; one that is too narrow has none.
#[test]
fn takes_in_the_lane_of_the_file_have_the_signs_of_their_layers() {
    let mut world = worked(1, 6.0);
    let mut d = (**world.history.document()).clone();
    for (id, layer, span) in
        [(2, 1, (60_000, 120_000)), (3, 2, (130_000, 200_000)), (4, 3, (210_000, 210_900))]
    {
        let take =
            Take { id: TakeId(id), layer, span: FrameRange::new(span.0, span.1), ..(*d.takes[0]).clone() };
        d.takes.push(take.into());
    }
    world.history = History::new(d);
    let h = bench(world);
    let lane = h.get_by_label_contains("The whole file").rect();
    let painted = within(h.output(), lane);
    let counts = [0, 1, 2, 3].map(|l: usize| signs(&painted, LAYERS[l]));
    assert_eq!(counts, [vec![0], vec![4], vec![3], vec![]]);
}
