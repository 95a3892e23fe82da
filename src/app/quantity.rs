//! Values as they are typed: a number with a unit of its own, whatever unit the field shows.

/// What turns seconds into frames and periods where a value is typed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Clock {
    /// Frames in a second.
    pub rate: f64,
    /// Length of a period in frames, where the note is known.
    pub period: Option<f64>,
}

/// What a unit measures, and how much of the base unit it is.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Unit {
    /// Seconds.
    Time(f64),
    /// Hertz.
    Frequency(f64),
    /// Cents.
    Interval(f64),
    /// Decibels.
    Level,
    /// Parts of a hundred.
    Percent,
}

fn unit(word: &str, clock: Option<Clock>) -> Option<Unit> {
    Some(match word {
        "s" | "sec" | "second" | "seconds" => Unit::Time(1.0),
        "ms" => Unit::Time(1e-3),
        "min" => Unit::Time(60.0),
        "f" | "fr" | "frame" | "frames" => Unit::Time(1.0 / clock?.rate),
        "p" | "period" | "periods" => Unit::Time(clock?.period? / clock?.rate),
        "hz" => Unit::Frequency(1.0),
        "khz" => Unit::Frequency(1e3),
        "cent" | "cents" | "ct" => Unit::Interval(1.0),
        "semitone" | "semitones" | "st" => Unit::Interval(100.0),
        "db" => Unit::Level,
        "%" => Unit::Percent,
        _ => return None,
    })
}

/// The value that `text` means in a field that shows `own` unit (empty: plain numbers). A number alone is
/// in that unit; with a unit behind it, it is converted. None: no number, or a unit that measures
/// something else.
pub fn parse(text: &str, own: &str, clock: Option<Clock>) -> Option<f64> {
    let text = text.trim().replace(['−', '–'], "-").replace(',', ".");
    let end =
        text.find(|c: char| !(c.is_ascii_digit() || matches!(c, '.' | '-' | '+'))).unwrap_or(text.len());
    let number: f64 = text[..end].parse().ok()?;
    let word = text[end..].trim().to_lowercase();
    let own = own.trim().to_lowercase();
    if word.is_empty() || word == own {
        return Some(number);
    }
    match (unit(&word, clock)?, unit(&own, clock)?) {
        (Unit::Time(from), Unit::Time(to))
        | (Unit::Frequency(from), Unit::Frequency(to))
        | (Unit::Interval(from), Unit::Interval(to)) => Some(number * from / to),
        (Unit::Level, Unit::Level) | (Unit::Percent, Unit::Percent) => Some(number),
        _ => None,
    }
}

/// The unit that was typed behind a number; empty: none.
pub fn unit_of(text: &str) -> &str {
    text.trim().trim_start_matches(|c: char| c.is_ascii_digit() || "+-−–.,".contains(c)).trim()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_number_is_read_in_any_unit_of_its_kind() {
        // 480 frames a period at 48 kHz: 100 Hz.
        let clock = Some(Clock { rate: 48_000.0, period: Some(480.0) });
        let is = |text: &str, own: &str, wanted: f64| {
            let got = parse(text, own, clock).unwrap_or(f64::NAN);
            assert!((got - wanted).abs() <= 1e-9 * wanted.abs().max(1.0), "{text} in {own}: {got}");
        };
        is("0.5", "s", 0.5);
        is("500 ms", "s", 0.5);
        is("24000 frames", "s", 0.5);
        is("50 periods", "s", 0.5);
        is("0,5 s", "frames", 24_000.0);
        is("2 p", "frames", 960.0);
        is("1 min", "s", 60.0);
        is("12", "ms", 12.0);
        is("0.012 s", "ms", 12.0);
        is("1.2 kHz", "Hz", 1200.0);
        is("−3 dB", "dB", -3.0);
        is("1 semitone", "cents", 100.0);
        is(" 40 % ", "%", 40.0);
        is("7", "", 7.0);
    }

    #[test]
    fn what_measures_something_else_is_refused() {
        for (text, own) in
            [("3 dB", "s"), ("x", "s"), ("", "s"), ("1.2.3", "s"), ("5 apples", "s"), ("5 Hz", "ms")]
        {
            assert_eq!(parse(text, own, None), None, "{text}");
        }
        // Frames and periods mean nothing where no rate or no note is known.
        assert_eq!(parse("5 frames", "s", None), None);
        assert_eq!(parse("5 periods", "s", Some(Clock { rate: 48_000.0, period: None })), None);
    }
}
