//! What every format is read into before its words get their times: captions of tokens; and the cleaning of them,
//! which is the same for all: sounds, singing, turn marks, speakers' names.

use std::collections::HashMap;
use std::sync::LazyLock;

use super::Warning;

/// A word as it stands in a caption, before it has a time.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Token {
    pub(super) text: String,
    /// Line of the file, from 1; also tells where the lines of a caption begin.
    pub(super) line: usize,
    /// The time that the file gives for the word's beginning, in seconds.
    pub(super) start: Option<f64>,
    /// The time that the file gives for its end.
    pub(super) end: Option<f64>,
    /// The speaker that the file names from this word on, outside the words.
    pub(super) voice: Option<String>,
    /// Whether another voice takes over here.
    pub(super) turn: bool,
}

impl Token {
    pub(super) fn new(text: String, line: usize) -> Self {
        Self {
            text,
            line,
            start: None,
            end: None,
            voice: None,
            turn: false,
        }
    }
}

/// A cue, a paragraph or a segment.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Caption {
    /// Index in file order, from 0.
    pub(super) index: u32,
    /// Line of the file at which it begins, from 1.
    pub(super) line: usize,
    /// Seconds at which it begins; `None` if its time can't be read.
    pub(super) start: Option<f64>,
    /// Seconds at which it ends; `None` if the file doesn't say.
    pub(super) end: Option<f64>,
    pub(super) tokens: Vec<Token>,
}

impl Caption {
    pub(super) fn new(index: usize, line: usize, start: Option<f64>, end: Option<f64>) -> Self {
        Self {
            index: u32::try_from(index).unwrap_or(u32::MAX),
            line,
            start,
            end,
            tokens: Vec::new(),
        }
    }
}

/// Warnings, where one oddity that a file has a thousand times takes one line and not a thousand.
#[derive(Debug, Default)]
pub(super) struct Oddities {
    warnings: Vec<Warning>,
    counts: Vec<(&'static str, usize, usize)>,
}

impl Oddities {
    /// Most warnings of their own; what is beyond is counted.
    const MOST: usize = 50;

    pub(super) fn warn(&mut self, line: usize, message: impl Into<String>) {
        if self.warnings.len() < Self::MOST {
            self.warnings.push(Warning {
                line,
                message: message.into(),
            });
        } else {
            self.count(line, "more oddities of the kinds above");
        }
    }

    /// Counts an oddity of the kind `what`; the warning stands at the first.
    pub(super) fn count(&mut self, line: usize, what: &'static str) {
        match self.counts.iter_mut().find(|(kind, ..)| *kind == what) {
            Some((_, first, count)) => {
                *first = line.min(*first);
                *count += 1;
            }
            None => self.counts.push((what, line, 1)),
        }
    }

    pub(super) fn finish(self) -> Vec<Warning> {
        let Self {
            mut warnings,
            counts,
        } = self;
        warnings.extend(counts.into_iter().map(|(what, line, count)| Warning {
            line,
            message: if count == 1 {
                what.into()
            } else {
                format!("{what} ({count} times, first here)")
            },
        }));
        warnings.sort_by_key(|warning| warning.line);
        warnings
    }
}

/// Words of captions that tell of a sound (see `sounds.txt`).
static SOUNDS: LazyLock<Vec<&str>> = LazyLock::new(|| {
    include_str!("sounds.txt")
        .lines()
        .filter(|line| !line.starts_with('#'))
        .collect()
});

/// Takes out of the captions what was not said, and marks the turns.
pub(super) fn clean(captions: &mut [Caption]) {
    for caption in captions.iter_mut() {
        drop_singing(&mut caption.tokens);
        drop_sounds(&mut caption.tokens);
    }
    let labels = Labels::count(captions);
    let mut voices = Voices::default();
    for caption in captions {
        mark_turns(&mut caption.tokens, &labels, &mut voices);
    }
}

/// Signs that captions put around what is sung.
const NOTES: [char; 4] = ['♪', '♫', '♬', '♩'];

/// Drops what is sung: all between two music notes of one caption. A lone note goes, its words stay.
fn drop_singing(tokens: &mut Vec<Token>) {
    let runs = |text: &str| {
        let mut before = false;
        text.chars()
            .filter(|c| !std::mem::replace(&mut before, NOTES.contains(c)) && NOTES.contains(c))
            .count()
    };
    if tokens.iter().all(|token| token.text.is_ascii()) {
        return;
    }
    let total: usize = tokens.iter().map(|token| runs(&token.text)).sum();
    if total == 0 {
        return;
    }
    let paired = total - total % 2;
    let mut seen = 0;
    tokens.retain_mut(|token| {
        let (before, here) = (seen, runs(&token.text));
        seen += here;
        let sung = before < paired && (before % 2 == 1 || here > 0);
        token.text.retain(|c| !NOTES.contains(&c));
        !sung && !token.text.is_empty()
    });
}

/// Most words that a bracket around a sound has.
const BRACKET_WORDS: usize = 8;

/// Drops brackets that tell of a sound: those with a word of `sounds.txt` first or last, those without any letter
/// (`[__]`), and those that stand alone: square ones on their line, round ones in their caption. All others
/// (`(or c3)`, `he plays [knight] f3`) were said or belong to what was said.
fn drop_sounds(tokens: &mut Vec<Token>) {
    if !tokens
        .iter()
        .any(|token| token.text.starts_with(['[', '(', '*']))
    {
        return;
    }
    let mut out: Vec<Token> = Vec::with_capacity(tokens.len());
    let mut at = 0;
    let mut line = 0;
    while at < tokens.len() {
        let begins_line = tokens[at].line != line;
        line = tokens[at].line;
        let Some((length, name)) = sound(tokens, at, begins_line) else {
            out.push(tokens[at].clone());
            at += 1;
            continue;
        };
        at += length;
        if let (Some(name), Some(next)) = (name, tokens.get_mut(at)) {
            next.voice = Some(name);
        }
    }
    *tokens = out;
}

/// How many tokens from `at` on are a bracket to be dropped; with the name if it is a speaker's (`[Anna]:`).
fn sound(tokens: &[Token], at: usize, begins_line: bool) -> Option<(usize, Option<String>)> {
    let close = match tokens[at].text.as_bytes()[0] {
        b'[' => ']',
        b'(' => ')',
        b'*' => '*',
        _ => return None,
    };
    let ended = |text: &str| {
        text.trim_end_matches(['.', ',', ';', ':', '!', '?'])
            .ends_with(close)
    };
    let length = 1 + tokens[at..]
        .iter()
        .take(BRACKET_WORDS + 2)
        .enumerate()
        .position(|(n, token)| ended(&token.text) && (n > 0 || token.text.chars().count() > 1))?;
    let span = &tokens[at..at + length];
    let words: Vec<String> = (span.iter())
        .map(|token| {
            token
                .text
                .trim_matches(|c: char| !c.is_alphanumeric())
                .to_lowercase()
        })
        .filter(|word| !word.is_empty())
        .collect();
    if words
        .iter()
        .any(|word| word.contains(|c: char| c.is_ascii_digit()))
    {
        return None;
    }
    let listed = |word: Option<&String>| word.is_some_and(|word| SOUNDS.contains(&word.as_str()));
    let last_line = span[length - 1].line;
    let ends_line = tokens
        .get(at + length)
        .is_none_or(|next| next.line != last_line);
    let alone = match close {
        ']' => begins_line && ends_line,
        ')' => length == tokens.len(),
        _ => false,
    };
    if close == ']' && begins_line && !words.is_empty() && span[length - 1].text.ends_with(':') {
        let name: Vec<&str> = span
            .iter()
            .map(|token| token.text.trim_matches(['[', ']', ':']))
            .collect();
        return Some((length, Some(name.join(" "))));
    }
    (words.is_empty() || listed(words.first()) || listed(words.last()) || alone)
        .then_some((length, None))
}

/// What stands before colons at the beginnings of lines, over the whole file: only then can `ANNA:` be told from
/// `Remember:`.
struct Labels {
    counts: HashMap<String, usize>,
    /// Whether three captions in ten or more begin a line with a label.
    usual: bool,
    /// Whether the file is written in capitals, so that capitals show nothing.
    capitals: bool,
}

impl Labels {
    fn count(captions: &[Caption]) -> Self {
        let mut counts = HashMap::new();
        let (mut labelled, mut spoken, mut upper, mut lower) = (0usize, 0usize, 0usize, 0usize);
        for caption in captions {
            let mut here = false;
            for (at, token) in caption.tokens.iter().enumerate() {
                if token.text.is_ascii() {
                    upper += token.text.bytes().filter(u8::is_ascii_uppercase).count();
                    lower += token.text.bytes().filter(u8::is_ascii_lowercase).count();
                } else {
                    upper += token.text.chars().filter(|c| c.is_uppercase()).count();
                    lower += token.text.chars().filter(|c| c.is_lowercase()).count();
                }
                let begins = at == 0
                    || caption.tokens[at - 1].line != token.line
                    || Mark::of(&caption.tokens[at - 1].text).is_some();
                if begins && let Some((name, _)) = label(&caption.tokens[at..]) {
                    *counts.entry(name).or_insert(0) += 1;
                    here = true;
                }
            }
            labelled += usize::from(here);
            spoken += usize::from(!caption.tokens.is_empty());
        }
        Self {
            counts,
            usual: labelled * 10 >= spoken * 3,
            capitals: upper > lower,
        }
    }

    /// Whether this label is a speaker's name. Names in capitals are, where capitals mean anything; others must come
    /// again, and either follow a turn mark or be the custom of the file.
    fn name_speaker(&self, name: &str, after_mark: bool) -> bool {
        let count = self.counts.get(name).copied().unwrap_or(0);
        let letters = name.chars().filter(|c| c.is_alphabetic()).count();
        let shouted = !self.capitals && !name.contains(char::is_lowercase);
        (shouted && (letters > 2 || count > 1)) || (count > 1 && (after_mark || self.usual))
    }
}

/// Reads a label (`ANNA:`, `Dr. Smith:`, `Speaker 1:`) at the beginning of these tokens, with the count of its tokens.
fn label(tokens: &[Token]) -> Option<(String, usize)> {
    let line = tokens.first()?.line;
    let mut name = String::new();
    for (at, token) in tokens.iter().take(3).enumerate() {
        let word = token.text.strip_suffix(':');
        let bare = word.unwrap_or(&token.text);
        let capital = bare.starts_with(char::is_uppercase)
            && bare
                .chars()
                .all(|c| c.is_alphabetic() || matches!(c, '.' | '-' | '\'' | '’'));
        let number = at > 0 && bare.bytes().all(|b| b.is_ascii_digit());
        if token.line != line || bare.is_empty() || bare.len() > 30 || !(capital || number) {
            return None;
        }
        if at > 0 {
            name.push(' ');
        }
        name.push_str(bare);
        if word.is_some() {
            return Some((name, at + 1));
        }
    }
    None
}

/// Signs that another voice takes over.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Mark {
    /// `>>`, anywhere.
    Angles,
    /// `-` at the beginning of a line.
    Dash,
}

impl Mark {
    fn of(text: &str) -> Option<Self> {
        match text {
            "-" | "–" | "—" => Some(Self::Dash),
            _ if text.starts_with(">>") => Some(Self::Angles),
            _ if text.starts_with('-') && text[1..].starts_with(char::is_uppercase) => {
                Some(Self::Dash)
            }
            _ => None,
        }
    }
}

/// Who speaks, as far as the file tells, from caption to caption.
#[derive(Default)]
struct Voices {
    name: Option<String>,
    /// Whether the next word is another voice's.
    turn: bool,
}

impl Voices {
    fn hear(&mut self, name: String) {
        self.turn |= self.name.as_ref() != Some(&name);
        self.name = Some(name);
    }
}

/// Takes turn marks and speakers' names out and sets `turn` on the word behind them, which inherits their time if it
/// has none.
fn mark_turns(tokens: &mut Vec<Token>, labels: &Labels, voices: &mut Voices) {
    let mut label_left = 0;
    let mut time = None;
    let mut line = 0;
    let mut after_mark = false;
    let mut sentence_ended = true;
    for at in 0..tokens.len() {
        let begins_line = std::mem::replace(&mut line, tokens[at].line) != tokens[at].line;
        if label_left == 0
            && (begins_line || after_mark)
            && let Some((name, length)) = label(&tokens[at..])
            && labels.name_speaker(&name, after_mark && !begins_line)
        {
            voices.hear(name);
            label_left = length;
        }
        let token = &mut tokens[at];
        if let Some(name) = token.voice.take() {
            voices.hear(name);
        }
        if label_left > 0 {
            label_left -= 1;
            token.text.clear();
        } else {
            match Mark::of(&token.text) {
                Some(Mark::Angles) => {
                    token.text = token.text.trim_start_matches('>').to_string();
                    voices.turn = true;
                }
                Some(Mark::Dash) if begins_line && sentence_ended => {
                    token.text = token.text.trim_start_matches(['-', '–', '—']).to_string();
                    voices.turn = true;
                }
                _ => {}
            }
            after_mark = token.text.is_empty();
        }
        if token.text.is_empty() {
            time = time.or(token.start);
        } else {
            token.turn |= std::mem::take(&mut voices.turn);
            token.start = token.start.or(time);
            time = None;
            sentence_ended = ends_sentence(&token.text);
        }
    }
    tokens.retain(|token| !token.text.is_empty());
}

/// Whether a sentence ends with this word.
pub(super) fn ends_sentence(word: &str) -> bool {
    word.trim_end_matches(['"', '\'', '”', '’', '»', ')', ']'])
        .ends_with(['.', '?', '!', '…', '。', '？', '！'])
}

#[cfg(test)]
mod tests {
    use super::super::clock::lines;
    use super::super::markup::cue_text;
    use super::*;

    /// One caption for each string; turns are shown as `|`.
    fn cleaned(texts: &[&str]) -> Vec<String> {
        let mut captions: Vec<Caption> = (texts.iter().enumerate())
            .map(|(index, text)| {
                let mut caption = Caption::new(index, 1, Some(0.0), None);
                lines(text)
                    .into_iter()
                    .for_each(|line| cue_text(line, &mut caption.tokens));
                caption
            })
            .collect();
        clean(&mut captions);
        let word = |token: &Token| format!("{}{}", if token.turn { "|" } else { "" }, token.text);
        captions
            .iter()
            .map(|c| c.tokens.iter().map(word).collect::<Vec<_>>().join(" "))
            .collect()
    }

    #[test]
    fn sounds_go_and_said_brackets_stay() {
        assert_eq!(
            cleaned(&[
                "[Music]",
                "(applause)",
                "so [Applause] e4 (soft laughter)",
                "[ __ ] x"
            ]),
            ["", "", "so e4", "x"]
        );
        assert_eq!(
            cleaned(&[
                "[Vogelgezwitscher]\nso",
                "(or c3) he plays [knight] f3",
                "[Nf3]"
            ]),
            ["so", "(or c3) he plays [knight] f3", "[Nf3]"]
        );
        assert_eq!(
            cleaned(&["*coughs* so", "(never closed", "( ", "["]),
            ["so", "(never closed", "(", "["]
        );
    }

    #[test]
    fn singing_goes() {
        assert_eq!(
            cleaned(&[
                "♪ la la ♪ so e4",
                "♪ so",
                "♪♪",
                "♪♪ la ♪♪",
                "♪la♪ d4 ♪la la♪"
            ]),
            ["so e4", "so", "", "", "d4"]
        );
    }

    #[test]
    fn turn_marks_set_the_turn() {
        assert_eq!(
            cleaned(&["so. >> Yes >>no", "- Yes.\n- No.", "-Rook d1.\n-Where?"]),
            ["so. |Yes |no", "|Yes. |No.", "|Rook d1. |Where?"]
        );
        assert_eq!(
            cleaned(&["rook d1\n- that is - good", "e4 -1"]),
            ["rook d1 - that is - good", "e4 -1"]
        );
    }

    #[test]
    fn names_in_capitals_are_speakers() {
        assert_eq!(
            cleaned(&[
                "ANNA: so here",
                "ANNA: and here",
                ">> BEN HILL: yes",
                "Remember: e4"
            ]),
            ["|so here", "and here", "|yes", "Remember: e4"]
        );
        assert_eq!(
            cleaned(&["NOTE: E4 IS GOOD", "SO IS D4", "AND C4"]),
            ["NOTE: E4 IS GOOD", "SO IS D4", "AND C4"]
        );
    }

    #[test]
    fn other_names_are_speakers_where_the_file_always_has_them() {
        assert_eq!(
            cleaned(&[
                "Speaker 1: so",
                "Speaker 2: yes",
                "Speaker 1: e4",
                "Speaker 2: d4"
            ]),
            ["|so", "|yes", "|e4", "|d4"]
        );
        assert_eq!(
            cleaned(&[
                "[Anna]: so",
                "<v Ben>yes",
                "<v Ben>e4",
                "<v Anna>d4 <v Ben>c4"
            ]),
            ["|so", "|yes", "e4", "|d4 |c4"]
        );
        assert_eq!(
            cleaned(&["Nf3: so", "Nf3: yes", "12: so"]),
            ["Nf3: so", "Nf3: yes", "12: so"]
        );
    }
}
