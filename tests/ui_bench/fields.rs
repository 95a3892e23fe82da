//! Numbers that are typed, and what they say of what they cannot take.

use super::*;

/// 48 000 frames a second; the note sounds 217.7 Hz in the source, which is 220.49 frames a period.
#[test]
fn where_a_take_begins_ends_and_speaks_can_be_typed_in_any_unit() {
    let mut h = bench(worked(1, 3.0));
    h.set_size(vec2(1280.0, 2400.0));
    h.run_steps(3);
    let trim = |h: &Bench<'_>| {
        let t = h.state().recipe().trim;
        (t.range.start.0, t.onset.0, t.range.end.0)
    };
    for (field, typed, wanted, label) in [
        ("In point in seconds", "450 ms", (21_600, None, None), "Move in point"),
        ("In point in frames", "0.46 s", (22_080, None, None), "Move in point"),
        ("In point in seconds", "100 periods", (22_049, None, None), "Move in point"),
        ("Onset in seconds", "24500 frames", (22_049, Some(24_500), None), "Move onset"),
        ("Out point in frames", "2.5 s", (22_049, Some(24_500), Some(120_000)), "Move out point"),
    ] {
        let steps = h.state().history.place();
        bench_support::type_number(&mut h, field, typed);
        let now = trim(&h);
        let (start, onset, end) = wanted;
        assert!(now.0.abs_diff(start) <= 1, "{field} {typed}: {now:?}");
        assert!(onset.is_none_or(|o| now.1 == o) && end.is_none_or(|e| now.2 == e), "{field}: {now:?}");
        assert_eq!(h.state().history.place(), steps + 1, "{field}: one step");
        assert_eq!(h.state().history.undo_label(), Some(label));
    }
    // What is no such place is refused, and said.
    let before = trim(&h);
    bench_support::type_number(&mut h, "In point in seconds", "9 s");
    assert_eq!(trim(&h), before);
    assert!(h.query_by_label_contains("“9 s” is not within").is_some());
}

/// Of two refusals one is told, below its row, and it covers no field; the other says it under the pointer.
#[test]
fn refused_numbers_cover_no_field() {
    let mut h = bench(worked(1, 3.0));
    h.set_size(vec2(1280.0, 1900.0));
    h.run_steps(3);
    let top = |h: &Bench<'_>, name: &str| h.get_by_role_and_label(Role::SpinButton, name).rect().top();
    let gap = |h: &Bench<'_>| top(h, "Onset in seconds") - top(h, "Out point in seconds");
    let before = gap(&h);
    bench_support::type_number(&mut h, "In point in seconds", "9 s");
    bench_support::type_number(&mut h, "Out point in seconds", "99 s");
    h.run_steps(4);
    let told: Vec<_> = h.query_all_by_label_contains(" is not within ").map(|n| n.rect()).collect();
    assert_eq!(told.len(), 1);
    assert!(h.query_by_label_contains("“99 s” is not within").is_some(), "the latest");
    let fields: Vec<_> = h.query_all_by_role(Role::SpinButton).map(|n| n.rect()).collect();
    assert!(fields.len() > 8);
    assert!(fields.iter().all(|f| !f.intersects(told[0])), "{told:?} {fields:?}");
    assert!(gap(&h) > before + 20.0, "what is below moves down: {before} {}", gap(&h));
    let other = h.get_by_role_and_label(Role::SpinButton, "In point in seconds").rect().center();
    h.hover_at(other);
    h.run_steps(60);
    assert!(h.query_by_label_contains("“9 s” is not within").is_some());
}

#[test]
fn number_fields_tell_unit_and_range_under_the_pointer() {
    let mut h = bench(worked(1, 3.0));
    h.set_size(vec2(1280.0, 1900.0));
    h.run_steps(3);
    for (role, name, part) in [
        (Role::SpinButton, "Crossfade", " ms, in s"),
        (Role::SpinButton, "Start in frames", "In frames of the delivered file"),
        (Role::SpinButton, "Offset", " cents"),
    ] {
        let at = h.get_by_role_and_label(role, name).rect().center();
        h.hover_at(at);
        h.run_steps(60);
        let about = h.query_all_by_label_contains("From ").filter_map(|n| n.value());
        let about: Vec<String> = about.collect();
        assert!(about.iter().any(|a| a.contains(part) && a.contains(" to ")), "{name}: {about:?}");
        h.hover_at(egui::pos2(300.0, 1800.0));
        h.run_steps(30);
    }
    let start = h.get_by_role_and_label(Role::SpinButton, "Start in frames").value();
    assert!(start.as_deref().is_some_and(|v| v.ends_with(" fr")), "{start:?}");
    let (view, with) =
        (h.get_by_label("view ±2 periods").rect(), h.get_by_label("Show with crossfade").rect());
    assert!(with.right() < view.left(), "one beside the other: {with} {view}");
}

#[test]
fn negative_numbers_have_a_minus_sign_and_are_typed_with_either() {
    for typed in ["-12.5", "−12.5", "-12.5 cents"] {
        let mut h = bench(worked(1, 3.0));
        h.set_size(vec2(1280.0, 1900.0));
        h.run_steps(3);
        bench_support::type_number(&mut h, "Offset", typed);
        assert_eq!(h.state().recipe().tune.offset.0, -12.5, "{typed}");
        let texts = h.query_all_by_role_and_label(Role::SpinButton, "Offset").filter_map(|n| n.value());
        let texts: Vec<String> = texts.collect();
        assert!(texts.iter().any(|t| t == "−12.5 cents"), "{texts:?}");
    }
}

#[test]
fn a_slider_is_one_step_a_drag_and_typing_is_one() {
    let mut h = bench(worked(1, 3.0));
    // High enough that the tuning need not be scrolled to.
    h.set_size(vec2(1280.0, 1900.0));
    h.run_steps(2);
    let slider = h.get_by_role_and_label(Role::Slider, "Vibrato").rect();
    press(&mut h, slider.left_center() + vec2(8.0, 0.0));
    let end = creep(&mut h, slider.left_center() + vec2(8.0, 0.0), 30);
    release(&mut h, end);
    assert_eq!(h.state().history.labels().collect::<Vec<_>>(), ["Set vibrato"]);
    let vibrato = h.state().recipe().tune.vibrato;
    assert!(vibrato > 0.05 && vibrato < 0.95, "{vibrato}");
    h.get_by_role_and_label(Role::Slider, "Drift").set_value_accesskit(40.0);
    h.run_steps(2);
    assert!((h.state().recipe().tune.drift - 0.4).abs() < 1e-9);
    assert_eq!(h.state().history.labels().collect::<Vec<_>>(), ["Set vibrato", "Set drift"]);
}

/// 48 000 frames a second: 99 s are far beyond the end of a take of 3 s.
#[test]
fn a_limit_is_told_in_the_unit_that_was_typed() {
    let mut h = bench(worked(1, 3.0));
    h.set_size(vec2(1280.0, 1900.0));
    h.run_steps(3);
    bench_support::type_number(&mut h, "Out point in frames", "99 s");
    let told =
        h.query_by_label_contains("“99 s” is not within").map(|n| n.value().or(n.accesskit_node().label()));
    let told = told.flatten().unwrap_or_default();
    assert!(told.ends_with(" to 3.00 s."), "{told}");
}
