//! Text for people, wherever it is read (the window, the terminal, the report): real minus signs before
//! numbers, and files by their names. What machines read has hyphens.

/// A signed number with a real minus sign.
pub fn signed(value: f64, digits: usize) -> String {
    let rounded = format!("{:.digits$}", value.abs());
    if rounded.chars().all(|c| c == '0' || c == '.') {
        rounded
    } else if value < 0.0 {
        format!("−{rounded}")
    } else {
        format!("+{rounded}")
    }
}

/// A number with a real minus sign where it is negative.
pub fn minus(value: f64, digits: usize) -> String {
    let text = signed(value, digits);
    text.strip_prefix('+').map(str::to_owned).unwrap_or(text)
}

/// A text with real minus signs before its numbers, as the window, the terminal and the report write them;
/// where it comes from (a session, an error) they are hyphens. Names of files stay as they are.
pub fn typeset(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    let mut rest = text;
    while let Some(at) = path_start(rest) {
        let path = &rest[at..at + path_len(&rest[at..])];
        out += &with_signs(&rest[..at]);
        out += path;
        rest = &rest[at + path.len()..];
    }
    out + &with_signs(rest)
}

fn with_signs(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    let mut before = ' ';
    for (i, c) in text.char_indices() {
        let signs = c == '-'
            && matches!(before, ' ' | '\n' | '(' | '[' | '“' | '"' | '=' | ':')
            && is_number(text[i + 1..].split([' ', ')', ']', '”', '"', '/']).next().unwrap_or_default());
        out.push(if signs { '−' } else { c });
        before = c;
    }
    out
}

/// Whether a word begins with a digit and has no letters: `-3.wav` is a name.
fn is_number(word: &str) -> bool {
    word.starts_with(|c: char| c.is_ascii_digit()) && !word.contains(char::is_alphabetic)
}

/// A text in which files stand by their names alone, without the folders they lie in.
pub fn short_paths(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    let mut rest = text;
    while let Some(at) = path_start(rest) {
        out += &rest[..at];
        let path = &rest[at..at + path_len(&rest[at..])];
        let trimmed = path.trim_end_matches(SEPARATORS);
        out += trimmed.rsplit(SEPARATORS).next().filter(|name| !name.is_empty()).unwrap_or(path);
        rest = &rest[at + path.len()..];
    }
    out + rest
}

const SEPARATORS: [char; 2] = ['/', '\\'];

/// Where the first whole path of a text begins: a slash, or a drive's letter, at the beginning of a word.
fn path_start(text: &str) -> Option<usize> {
    text.char_indices().find_map(|(i, _)| {
        let begins = text[..i].chars().next_back().is_none_or(|b| matches!(b, ' ' | '(' | '“' | '"' | '\n'));
        let here = &text[i..];
        let mut two = here.chars();
        let (first, second, third) = (two.next()?, two.next(), two.next());
        let is_root = first == '/' && second.is_some_and(|c| !c.is_whitespace());
        let is_drive = first.is_ascii_alphabetic() && second == Some(':') && third == Some('\\');
        (begins && (is_root || is_drive)).then_some(i)
    })
}

/// How long the path is that a text begins with. Folders may have spaces in their names, so it reaches to the
/// end of the sentence's part that holds its last separator, and there to the end of the name.
fn path_len(text: &str) -> usize {
    const ENDS: [&str; 9] = [": ", "; ", ", ", ". ", "\n", "\"", "”", ")", " is "];
    let part = ENDS.iter().filter_map(|e| text.find(e)).min().unwrap_or(text.len());
    let (part, name) = (&text[..part], text[..part].rfind(SEPARATORS).map_or(0, |i| i + 1));
    // A name with an ending that is one ends there; words may follow it.
    let after = part[name..].char_indices().find_map(|(i, c)| {
        let (dot, ends) = (part[name..name + i].rfind('.')?, c == ' ');
        (ends && !part[name + dot + 1..name + i].contains(' ') && dot > 0).then_some(name + i)
    });
    after.unwrap_or(part.len())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn paths_are_told_by_the_names_of_their_files() {
        for (long, short) in [
            ("cannot read /a/My takes/x 1.wav: it is not there", "cannot read x 1.wav: it is not there"),
            ("/a/b/c.wav is a source; deliver elsewhere", "c.wav is a source; deliver elsewhere"),
            (r"cannot write D:\\sets\\Bottles\\out: the disk is full", "cannot write out: the disk is full"),
            ("open /tmp/Set A/notes.html yourself.", "open notes.html yourself."),
            ("in and/or out, 3 / 4 takes", "in and/or out, 3 / 4 takes"),
            ("a/b.wav was found again as /x y/c/b.wav", "a/b.wav was found again as b.wav"),
        ] {
            let long = long.replace("\\\\", "\\");
            assert_eq!(short_paths(&long), short);
        }
    }

    #[test]
    fn hyphens_before_numbers_are_minus_signs() {
        assert_eq!(typeset("a minor third below (-302 cents)"), "a minor third below (−302 cents)");
        assert_eq!(typeset("-3 dB; B-flat, 3-4 takes, C-1"), "−3 dB; B-flat, 3-4 takes, C-1");
        assert_eq!(typeset("a\n-3 dB"), "a\n−3 dB");
    }
}
