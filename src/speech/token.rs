//! Words of the transcript as the grammar sees them.

use regex::Regex;
use shakmaty::{Role, Square};
use std::sync::LazyLock;

use crate::grammar::{ClassSet, Grammar};
use crate::transcript::Transcript;

/// How strongly speech pauses before a token, as far as punctuation tells.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Stop {
    /// No punctuation.
    None,
    /// A comma, a dash, a colon.
    Weak,
    /// The end of a sentence.
    Full,
}

/// A move typed in notation inside the text ("Nf3", "exd5", "0-0").
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Notation {
    /// The piece letter, if there is one.
    pub piece: Option<Role>,
    /// File of origin (0 to 7).
    pub file: Option<u8>,
    /// Rank of origin (0 to 7).
    pub rank: Option<u8>,
    /// Origin square (`e2-e4`).
    pub from: Option<Square>,
    /// Whether it has the capture sign.
    pub capture: bool,
    /// Square of arrival; `None` for castling and for a pair of files ("dc").
    pub to: Option<Square>,
    /// File of arrival of a pair of files ("dc").
    pub to_file: Option<u8>,
    /// Promotion piece.
    pub promotion: Option<Role>,
    /// Castling: `Some(true)` on the king's side.
    pub castle: Option<bool>,
    /// `+` or `#` behind it.
    pub check: bool,
}

/// One token: a word, or one of the parts of a word that was written together.
#[derive(Debug, Clone)]
pub struct Token {
    /// Lower case, without punctuation at its ends.
    pub text: String,
    /// Index in [`Transcript::words`].
    pub word: u32,
    /// Pause before it.
    pub stop: Stop,
    /// Whether a question mark closes the sentence that ends here.
    pub question: bool,
    /// Whether another voice begins here.
    pub turn: bool,
    /// Word classes of the grammar, those of the phrases that it is a part of included.
    pub classes: ClassSet,
    /// The piece that it names.
    pub piece: Option<Role>,
    /// Whether the piece or class is only a listed mishearing or a matter of sound.
    pub misheard: bool,
    /// Set for typed notation.
    pub notation: Option<Notation>,
}

static MOVE: LazyLock<Regex> = LazyLock::new(|| {
    Regex::new(
        r"^([KQRBNkqrn])?([a-h])?([1-8])?([x:×])?([a-h])([1-8])(?:=?([QRBNqrn]))?([+#]|mate)?$",
    )
    .expect("constant pattern")
});
static FROM_TO: LazyLock<Regex> = LazyLock::new(|| {
    Regex::new(r"^([KQRBN])?([a-h][1-8])[-–x]([a-h][1-8])([+#])?$").expect("constant pattern")
});
static CASTLE: LazyLock<Regex> =
    LazyLock::new(|| Regex::new(r"^[oO0]-[oO0](-[oO0])?([+#])?$").expect("constant pattern"));
static FILES: LazyLock<Regex> =
    LazyLock::new(|| Regex::new(r"^([a-h])x?([a-h])([+#])?$").expect("constant pattern"));
static NUMBER: LazyLock<Regex> =
    LazyLock::new(|| Regex::new(r"^\d{1,3}\.{1,3}").expect("constant pattern"));

fn role(letter: &str) -> Option<Role> {
    letter.chars().next().and_then(Role::from_char)
}

fn index(letter: &str) -> Option<u8> {
    match letter.as_bytes() {
        [c @ b'a'..=b'h'] => Some(c - b'a'),
        [c @ b'1'..=b'8'] => Some(c - b'1'),
        _ => None,
    }
}

/// Reads one word as typed notation; the case of piece letters counts, except that captions in lower case are taken too.
pub fn notation(word: &str) -> Option<Notation> {
    let core = word.trim_end_matches(['!', '?', ',', '.', ';', ':']);
    // A square at the head of a sentence has a capital.
    let lowered;
    let core = match core.as_bytes() {
        [b'A'..=b'H', b'1'..=b'8'] => {
            lowered = core.to_ascii_lowercase();
            lowered.as_str()
        }
        _ => core,
    };
    if let Some(m) = CASTLE.captures(core) {
        return Some(Notation {
            castle: Some(m.get(1).is_none()),
            check: m.get(2).is_some(),
            ..Notation::default()
        });
    }
    if let Some(m) = FROM_TO.captures(core) {
        return Some(Notation {
            piece: m.get(1).and_then(|g| role(g.as_str())),
            from: m[2].parse().ok(),
            to: m[3].parse().ok(),
            check: m.get(4).is_some(),
            ..Notation::default()
        });
    }
    if let Some(m) = MOVE.captures(core) {
        let get = |i: usize| m.get(i).map(|g| g.as_str());
        let file = get(2).and_then(index);
        let rank = get(3).and_then(index);
        let from = match (file, rank) {
            (Some(f), Some(r)) => Some(Square::from_coords(
                shakmaty::File::new(u32::from(f)),
                shakmaty::Rank::new(u32::from(r)),
            )),
            _ => None,
        };
        return Some(Notation {
            piece: get(1).and_then(role),
            file,
            rank,
            from,
            capture: get(4).is_some(),
            to: format!("{}{}", &m[5], &m[6]).parse().ok(),
            promotion: get(7).and_then(role),
            check: get(8).is_some(),
            ..Notation::default()
        });
    }
    if core.len() <= 4
        && let Some(m) = FILES.captures(core)
    {
        let (a, b) = (index(&m[1])?, index(&m[2])?);
        if a.abs_diff(b) == 1 {
            return Some(Notation {
                file: Some(a),
                to_file: Some(b),
                capture: true,
                check: m.get(3).is_some(),
                ..Notation::default()
            });
        }
    }
    None
}

/// Splits a transcript into tokens and looks each up in the grammar.
pub fn tokens(transcript: &Transcript, grammar: &Grammar) -> Vec<Token> {
    let mut out: Vec<Token> = Vec::with_capacity(transcript.words.len() + 16);
    let mut stop = Stop::Full;
    let mut turn = false;
    let mut seen: std::collections::HashMap<String, (ClassSet, Option<Role>, bool)> =
        std::collections::HashMap::new();
    let capture = grammar.class("capture");
    for (index, word) in transcript.words.iter().enumerate() {
        turn |= word.turn;
        let raw = word.text.trim_matches(|c: char| !c.is_alphanumeric());
        let tail = &word.text[word
            .text
            .trim_end_matches(|c: char| !c.is_alphanumeric())
            .len()..];
        let head = &word.text[..word.text.len()
            - word
                .text
                .trim_start_matches(|c: char| !c.is_alphanumeric())
                .len()];
        if head.contains(['-', '–', '—', '(']) {
            stop = stop.max(Stop::Weak);
        }
        let raw = NUMBER.replace(raw, "");
        let mut parts: Vec<(String, Option<Notation>)> = Vec::new();
        if let Some(n) = notation(&raw) {
            parts.push((raw.to_lowercase(), Some(n)));
        } else {
            for part in raw.split(['-', '–', '—', '/', '…', ',', '.', '(', ')']) {
                let part = part.trim_matches(|c: char| !c.is_alphanumeric());
                if !part.is_empty() {
                    parts.push((part.to_lowercase().replace('’', "'"), notation(part)));
                }
            }
        }
        for (text, notation) in parts {
            let (classes, piece, misheard) = *seen.entry(text.clone()).or_insert_with(|| {
                let mut classes = grammar.classes_of(&text);
                let mut piece = grammar.piece(&text);
                let mut misheard = grammar.is_misheard(&text);
                if piece.is_none()
                    && classes == 0
                    && text.len() >= 3
                    && text.bytes().all(|b| b.is_ascii_lowercase())
                {
                    if let Some((role, _)) = grammar.piece_by_sound(&text) {
                        (piece, misheard) = (Some(role), true);
                    } else if grammar.capture_by_sound(&text) {
                        (classes, misheard) = (capture, true);
                    }
                }
                (classes, piece, misheard)
            });
            out.push(Token {
                text,
                word: index as u32,
                stop,
                question: false,
                turn,
                classes,
                piece,
                misheard,
                notation,
            });
            (stop, turn) = (Stop::None, false);
        }
        if tail.contains(['.', '?', '!', '…']) {
            stop = Stop::Full;
            if tail.contains('?')
                && let Some(last) = out.last_mut()
            {
                last.question = true;
            }
        } else if tail.contains([',', ';', ':', '-', '–', '—']) {
            stop = stop.max(Stop::Weak);
        }
    }
    for i in 0..out.len() {
        for (parts, class) in grammar.phrases_from(&out[i].text) {
            if i + parts.len() <= out.len() && out[i..].iter().zip(parts).all(|(t, p)| t.text == *p)
            {
                for token in &mut out[i..i + parts.len()] {
                    token.classes |= class;
                }
            }
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn typed_notation_is_read() {
        assert_eq!(notation("Nf3,").unwrap().piece, Some(Role::Knight));
        assert_eq!(notation("0-0-0").unwrap().castle, Some(false));
        assert_eq!(notation("dc").unwrap().to_file, Some(2));
        assert_eq!(notation("exd5").unwrap().to, Some(Square::D5));
        assert_eq!(notation("e2-e4").unwrap().from, Some(Square::E2));
        assert!(notation("before").is_none());
    }
}
