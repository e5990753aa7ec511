//! The text of a caption to tokens: tags, entities, white space.
//!
//! WebVTT and SRT share this. Rules: W3C WebVTT, section 4.2.2 ("WebVTT cue text": tags, character references,
//! timestamps inside) and 6.4 ("WebVTT cue text parsing rules"); the numbers are from memory. Wider than those: a `<`
//! that opens no tag stays text, so that nothing said is lost, and `{\an8}`, which SRT files carry, goes out too.

use super::caption::Token;
use super::clock::{Line, clock};

/// Whether words end at this character. Besides white space (no-break spaces too), the zero-width space and the stray
/// byte order mark that recognisers leave between words.
pub(super) fn separates(c: char) -> bool {
    c.is_whitespace() || matches!(c, '\u{200B}' | '\u{FEFF}')
}

/// Characters without width or sense of their own (direction marks, joiners, soft hyphens, control codes), which would
/// make two words of the same look differ. They are left out.
pub(super) fn invisible(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{AD}' | '\u{200C}'..='\u{200F}' | '\u{202A}'..='\u{202E}' | '\u{2060}'..='\u{2069}')
}

/// Splits plain text into tokens without times.
pub(super) fn plain(line: Line<'_>, tokens: &mut Vec<Token>) {
    let mut writer = Writer::new(line.number);
    let mut rest = line.text;
    while let Some(c) = rest.chars().next() {
        let length = ordinary(rest);
        if length > 0 {
            writer.push_text(&rest[..length], tokens);
            rest = &rest[length..];
        } else {
            writer.push(c, tokens);
            rest = &rest[c.len_utf8()..];
        }
    }
    writer.close();
}

/// Splits one line of cue text into tokens. A time tag gives its time to the next word that begins; one in the midst
/// of a word gives it to none, since words have one time.
pub(super) fn cue_text(line: Line<'_>, tokens: &mut Vec<Token>) {
    let text = line.text;
    let mut writer = Writer::new(line.number);
    // Where the last of each closing sign stands, so that a line full of opening ones is not searched again and again.
    let (last_close, last_brace) = (text.rfind('>'), text.rfind('}'));
    let mut at = 0;
    while let Some(c) = text[at..].chars().next() {
        let rest = &text[at..];
        let length = ordinary(rest);
        if length > 0 {
            writer.push_text(&rest[..length], tokens);
            at += length;
            continue;
        }
        let mut width = c.len_utf8();
        match c {
            '<' if last_close > Some(at) => match tag(rest) {
                Some((kind, length)) => {
                    width = length;
                    match kind {
                        Tag::Time(seconds) => writer.time = Some(seconds),
                        Tag::Voice(name) => writer.voice = Some(name),
                        Tag::Break => writer.close(),
                        Tag::Other => {}
                    }
                }
                None => writer.push(c, tokens),
            },
            '&' => match reference(rest) {
                Some((decoded, length)) => {
                    width = length;
                    decoded.chars().for_each(|c| writer.push(c, tokens));
                }
                None => writer.push(c, tokens),
            },
            '{' if rest.starts_with("{\\") && last_brace > Some(at) => match rest.find('}') {
                Some(close) => width = close + 1,
                None => writer.push(c, tokens),
            },
            _ => writer.push(c, tokens),
        }
        at += width;
    }
    writer.close();
}

/// How many bytes at the beginning of `text` are plain ASCII letters, digits or marks, so that they can go on a word
/// together.
fn ordinary(text: &str) -> usize {
    let special = |b: &u8| !b.is_ascii_graphic() || matches!(b, b'<' | b'&' | b'{');
    text.as_bytes()
        .iter()
        .position(special)
        .unwrap_or(text.len())
}

enum Tag<'a> {
    Time(f64),
    Voice(&'a str),
    Break,
    Other,
}

/// Reads a tag at the beginning of `text` and gives its length; `None` if the `<` is one of the text's own.
fn tag(text: &str) -> Option<(Tag<'_>, usize)> {
    let first = *text.as_bytes().get(1)?;
    if !(first.is_ascii_alphanumeric() || first == b'/') {
        return None;
    }
    if first.is_ascii_digit() {
        let (seconds, rest) = clock(&text[1..])?;
        return rest
            .starts_with('>')
            .then(|| (Tag::Time(seconds), text.len() - rest.len() + 1));
    }
    let length = text.find('>')? + 1;
    let inside = &text[1..length - 1];
    let (name, annotation) = inside.split_once([' ', '\t']).unwrap_or((inside, ""));
    let kind = match name.split(['.', '/']).next().unwrap_or_default() {
        "v" => Tag::Voice(annotation.trim()),
        "br" | "BR" => Tag::Break,
        _ => Tag::Other,
    };
    Some((kind, length))
}

/// Reads an HTML character reference at the beginning of `text` and gives its length. The names are the HTML
/// standard's own list (crate `htmlize`); the longest has 33 bytes with `&` and `;`.
fn reference(text: &str) -> Option<(std::borrow::Cow<'_, str>, usize)> {
    let length = text.bytes().take(34).position(|b| b == b';')? + 1;
    let decoded = htmlize::unescape(&text[..length]);
    (decoded != text[..length]).then_some((decoded, length))
}

/// Builds tokens from characters.
struct Writer<'a> {
    line: usize,
    open: bool,
    time: Option<f64>,
    voice: Option<&'a str>,
}

impl Writer<'_> {
    fn new(line: usize) -> Self {
        Self {
            line,
            open: false,
            time: None,
            voice: None,
        }
    }

    fn push(&mut self, c: char, tokens: &mut Vec<Token>) {
        if separates(c) {
            self.close();
        } else if !invisible(c) {
            self.push_text(c.encode_utf8(&mut [0; 4]), tokens);
        }
    }

    /// Adds text without white space to the word at hand, or begins one with it.
    fn push_text(&mut self, text: &str, tokens: &mut Vec<Token>) {
        if let Some(token) = tokens.last_mut().filter(|_| self.open) {
            token.text.push_str(text);
            self.time = None;
        } else {
            self.open = true;
            let mut token = Token::new(text.into(), self.line);
            token.start = self.time.take();
            token.voice = self.voice.take().map(Into::into);
            tokens.push(token);
        }
    }

    fn close(&mut self) {
        self.open = false;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> Vec<(String, Option<f64>)> {
        let mut tokens = Vec::new();
        cue_text(Line { number: 1, text }, &mut tokens);
        tokens
            .into_iter()
            .map(|token| (token.text, token.start))
            .collect()
    }

    fn words(text: &str) -> Vec<String> {
        read(text).into_iter().map(|(word, _)| word).collect()
    }

    #[test]
    fn tags_go_and_what_is_no_tag_stays() {
        assert_eq!(
            words("<i>knight</i> f<b>3</b> <c.yellow.bg_blue>now</c>"),
            ["knight", "f3", "now"]
        );
        assert_eq!(
            words("x <3 you <- and < that, a<b"),
            ["x", "<3", "you", "<-", "and", "<", "that,", "a<b"]
        );
        assert_eq!(
            words("one<br/>two {\\an8}three {four}"),
            ["one", "two", "three", "{four}"]
        );
    }

    #[test]
    fn character_references_are_decoded_once() {
        assert_eq!(
            words("Q&amp;A rook&nbsp;d1 &#39;so&#x27; &lt;i&gt; AT&T; &amp;amp; a &"),
            [
                "Q&A", "rook", "d1", "'so'", "<i>", "AT&T;", "&amp;", "a", "&"
            ]
        );
    }

    #[test]
    fn invisible_characters_go_and_quotes_stay() {
        assert_eq!(
            words("\u{200E}“don’t”\u{200B}kn\u{AD}ight\u{A0}f3\u{FEFF}"),
            ["“don’t”", "knight", "f3"]
        );
    }

    #[test]
    fn time_tags_belong_to_the_next_word() {
        let read = read(
            "Good<00:00:01.090><c> morning,</c><00:01.770>all kni<00:02.000>ght <00:03.000> <00:03.500>f3",
        );
        let expected = [
            ("Good", None),
            ("morning,all", Some(1.09)),
            ("knight", None),
            ("f3", Some(3.5)),
        ];
        assert_eq!(read, expected.map(|(word, time)| (word.to_string(), time)));
    }
}
