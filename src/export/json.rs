//! Study JSON, version 1: the machine-readable form of a [`Study`], and the way back.
//!
//! The keys stand in the order of the struct's fields, so that the same study gives the same bytes. Times are rounded
//! to 0.01 s, confidences to 0.001. What fits a line of 120 columns stands on one line. The JSON Schema is
//! `schema/plyscribe-study-1.schema.json` in the repository.
//!
//! ```
//! use plyscribe::export::json;
//! use plyscribe::study::{Source, Study};
//!
//! let study = Study {
//!     format: Study::FORMAT.into(),
//!     version: Study::VERSION,
//!     title: "Nothing yet".into(),
//!     language: "en".into(),
//!     source: Source { name: "-".into(), seconds: 1.23456 },
//!     games: vec![],
//!     timeline: vec![],
//!     flags: vec![],
//! };
//! let text = json::to_string(&study)?;
//! assert!(text.contains(r#""source": {"name": "-", "seconds": 1.23},"#));
//! assert_eq!(json::from_str(&text)?.title, "Nothing yet");
//! # Ok::<(), json::JsonError>(())
//! ```

use std::io::{self, Write};

use serde::{Deserialize, Serialize};
use serde_json::Value;
use serde_json::ser::{Formatter, Serializer};
use thiserror::Error;

use crate::export::verify::{StudyError, verify};
use crate::study::{Passage, Study};

/// Widest line, in characters, on which an object or an array stands as a whole.
const WIDTH: usize = 120;

/// Why a study could not be written as JSON or read from it.
#[derive(Debug, Error)]
pub enum JsonError {
    /// The text is no JSON, or not of the shape of a study. Line and column count from 1.
    #[error("line {line}, column {column}: {message}")]
    Syntax {
        /// Line, from 1.
        line: usize,
        /// Column in bytes, from 1.
        column: usize,
        /// What is wrong there.
        message: String,
    },
    /// The study contradicts itself or the rules of chess.
    #[error(transparent)]
    Study(#[from] StudyError),
}

impl From<serde_json::Error> for JsonError {
    fn from(error: serde_json::Error) -> JsonError {
        let (line, column) = (error.line(), error.column());
        let message = error.to_string();
        // serde_json puts the place at the end of its message; here it stands in front.
        let place = format!(" at line {line} column {column}");
        JsonError::Syntax {
            line,
            column,
            message: message.strip_suffix(&place).unwrap_or(&message).to_owned(),
        }
    }
}

/// The study as JSON text, which ends with a line break.
///
/// # Errors
/// [`JsonError::Study`] if the study does not hold together.
pub fn to_string(study: &Study) -> Result<String, JsonError> {
    verify(study)?;
    let value = serde_json::to_value(rounded(study))?;
    let mut text = Vec::new();
    lay_out(&value, 0, 0, &mut text)?;
    text.push(b'\n');
    Ok(String::from_utf8(text).expect("JSON is UTF-8"))
}

/// Reads a study from JSON text and verifies it. A byte order mark before the text is passed over.
///
/// # Errors
/// [`JsonError::Syntax`] with line and column if the text is not of the right shape; [`JsonError::Study`] with the
/// place in the study if it is of another format or version, or doesn't hold together.
pub fn from_str(text: &str) -> Result<Study, JsonError> {
    /// What tells whether it is worth reading on.
    #[derive(Deserialize)]
    struct Head {
        format: String,
        version: u32,
    }
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let head: Head = serde_json::from_str(text)?;
    if head.format != Study::FORMAT {
        return Err(StudyError::Format(head.format).into());
    }
    if head.version != Study::VERSION {
        return Err(StudyError::Version(head.version).into());
    }
    let study: Study = serde_json::from_str(text)?;
    verify(&study)?;
    Ok(study)
}

fn rounded(study: &Study) -> Study {
    fn time(seconds: &mut f64) {
        *seconds = (*seconds * 100.0).round() / 100.0;
    }
    fn confidence(share: &mut f64) {
        *share = (*share * 1000.0).round() / 1000.0;
    }
    fn passages(passages: &mut [Passage]) {
        for passage in passages {
            time(&mut passage.start);
            time(&mut passage.end);
        }
    }
    let mut study = study.clone();
    time(&mut study.source.seconds);
    for node in study.games.iter_mut().flat_map(|game| &mut game.nodes) {
        node.confidence.iter_mut().for_each(confidence);
        passages(&mut node.mentions);
        passages(&mut node.comments);
    }
    for span in &mut study.timeline {
        time(&mut span.start);
        time(&mut span.end);
    }
    for flag in &mut study.flags {
        time(&mut flag.start);
        time(&mut flag.end);
        flag.candidates
            .iter_mut()
            .for_each(|candidate| confidence(&mut candidate.confidence));
    }
    study
}

/// JSON on one line, with a space behind each comma and colon.
struct OneLine;

impl Formatter for OneLine {
    fn begin_array_value<W: ?Sized + Write>(
        &mut self,
        text: &mut W,
        first: bool,
    ) -> io::Result<()> {
        text.write_all(if first { b"" } else { b", " })
    }

    fn begin_object_key<W: ?Sized + Write>(&mut self, text: &mut W, first: bool) -> io::Result<()> {
        text.write_all(if first { b"" } else { b", " })
    }

    fn begin_object_value<W: ?Sized + Write>(&mut self, text: &mut W) -> io::Result<()> {
        text.write_all(b": ")
    }
}

/// Writes `value` from column `column` on, one line if it fits or can't be broken, else one entry a line, two spaces deeper.
fn lay_out(
    value: &Value,
    indent: usize,
    column: usize,
    text: &mut Vec<u8>,
) -> serde_json::Result<()> {
    let from = text.len();
    value.serialize(&mut Serializer::with_formatter(&mut *text, OneLine))?;
    // Bytes are no fewer than characters, and no more than four times as many.
    let (bytes, room) = (text.len() - from, WIDTH.saturating_sub(column + 1));
    if bytes <= room || (bytes <= 4 * room && characters(&text[from..]) <= room) {
        return Ok(());
    }
    type Entries<'v> = Vec<(Option<&'v String>, &'v Value)>;
    let (open, entries, close): (u8, Entries, u8) = match value {
        Value::Object(map) if !map.is_empty() => {
            let entries = map.iter().map(|(key, value)| (Some(key), value));
            (b'{', entries.collect(), b'}')
        }
        Value::Array(list) if !list.is_empty() => {
            let entries = list.iter().map(|value| (None, value));
            (b'[', entries.collect(), b']')
        }
        _ => return Ok(()),
    };
    text.truncate(from);
    text.push(open);
    let inner = indent + 2;
    for (index, (key, entry)) in entries.into_iter().enumerate() {
        text.extend(if index == 0 { &b"\n"[..] } else { &b",\n"[..] });
        text.extend(std::iter::repeat_n(b' ', inner));
        let from = text.len();
        if let Some(key) = key {
            serde_json::to_writer(&mut *text, key)?;
            text.extend(b": ");
        }
        let column = inner + characters(&text[from..]);
        lay_out(entry, inner, column, text)?;
    }
    text.push(b'\n');
    text.extend(std::iter::repeat_n(b' ', indent));
    text.push(close);
    Ok(())
}

/// How many characters a piece of UTF-8 has: the bytes that go on with one aren't counted.
fn characters(text: &[u8]) -> usize {
    text.iter().filter(|&&byte| byte & 0xc0 != 0x80).count()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::study::{Candidate, Flag, FlagKind, Game, Node, Source, Span};

    const START: &str = "rnbqkbnr/pppppppp/8/8/8/8/PPPPPPPP/RNBQKBNR w KQkq - 0 1";
    const AFTER_E4: &str = "rnbqkbnr/pppppppp/8/8/4P3/8/PPPP1PPP/RNBQKBNR b KQkq - 0 1";

    fn passage(start: f64, end: f64, text: &str) -> Passage {
        Passage {
            start,
            end,
            text: text.into(),
        }
    }

    fn study() -> Study {
        let root = Node {
            id: 0,
            parent: None,
            uci: None,
            san: None,
            fen: START.into(),
            mainline: true,
            confidence: None,
            nags: vec![],
            mentions: vec![],
            comments: vec![passage(0.0, 1.0, "Hello.")],
        };
        let e4 = Node {
            id: 1,
            parent: Some(0),
            uci: Some("e2e4".into()),
            san: Some("e4".into()),
            fen: AFTER_E4.into(),
            mainline: true,
            confidence: Some(0.98765),
            nags: vec![1, 13],
            mentions: vec![passage(1.004, 1.996, "the king's pawn")],
            comments: vec![passage(
                1.996,
                12.5,
                "It \"frees\" two pieces.\\ So they say — 'tis a short sentence.",
            )],
        };
        Study {
            format: Study::FORMAT.into(),
            version: Study::VERSION,
            title: "Ein Zug 🐎".into(),
            language: "de".into(),
            source: Source {
                name: "ein-zug.srt".into(),
                seconds: 12.3456,
            },
            games: vec![Game {
                start: START.into(),
                nodes: vec![root, e4],
            }],
            timeline: vec![Span {
                start: 0.0,
                end: 1.996,
                game: 0,
                node: 0,
            }],
            flags: vec![Flag {
                kind: FlagKind::Ambiguous,
                start: 1.0,
                end: 2.0,
                text: "the pawn".into(),
                game: 0,
                node: 0,
                candidates: vec![Candidate {
                    uci: "e2e4".into(),
                    san: "e4".into(),
                    confidence: 0.33333,
                }],
                played: None,
                settled: false,
                message: "More than one pawn can move.".into(),
            }],
        }
    }

    #[test]
    fn reads_back_what_it_wrote_but_for_the_rounding() {
        let text = to_string(&study()).unwrap();
        let mut expected = study();
        expected.source.seconds = 12.35;
        expected.games[0].nodes[1].confidence = Some(0.988);
        expected.games[0].nodes[1].mentions[0].start = 1.0;
        expected.games[0].nodes[1].mentions[0].end = 2.0;
        expected.games[0].nodes[1].comments[0].start = 2.0;
        expected.timeline[0].end = 2.0;
        expected.flags[0].candidates[0].confidence = 0.333;
        let back = from_str(&text).unwrap();
        assert_eq!(back, expected);
        assert_eq!(
            to_string(&back).unwrap(),
            text,
            "writing again must give the same bytes"
        );
        assert_eq!(from_str(&format!("\u{feff}{text}")).unwrap(), expected);
    }

    #[test]
    fn is_laid_out_for_reading() {
        let expected = r#"{
  "format": "plyscribe-study",
  "version": 1,
  "title": "Ein Zug 🐎",
  "language": "de",
  "source": {"name": "ein-zug.srt", "seconds": 12.35},
  "games": [
    {
      "start": "rnbqkbnr/pppppppp/8/8/8/8/PPPPPPPP/RNBQKBNR w KQkq - 0 1",
      "nodes": [
        {
          "id": 0,
          "parent": null,
          "fen": "rnbqkbnr/pppppppp/8/8/8/8/PPPPPPPP/RNBQKBNR w KQkq - 0 1",
          "mainline": true,
          "nags": [],
          "mentions": [],
          "comments": [{"start": 0.0, "end": 1.0, "text": "Hello."}]
        },
        {
          "id": 1,
          "parent": 0,
          "uci": "e2e4",
          "san": "e4",
          "fen": "rnbqkbnr/pppppppp/8/8/4P3/8/PPPP1PPP/RNBQKBNR b KQkq - 0 1",
          "mainline": true,
          "confidence": 0.988,
          "nags": [1, 13],
          "mentions": [{"start": 1.0, "end": 2.0, "text": "the king's pawn"}],
          "comments": [
            {"start": 2.0, "end": 12.5, "text": "It \"frees\" two pieces.\\ So they say — 'tis a short sentence."}
          ]
        }
      ]
    }
  ],
  "timeline": [{"start": 0.0, "end": 2.0, "game": 0, "node": 0}],
  "flags": [
    {
      "kind": "ambiguous",
      "start": 1.0,
      "end": 2.0,
      "text": "the pawn",
      "game": 0,
      "node": 0,
      "candidates": [{"uci": "e2e4", "san": "e4", "confidence": 0.333}],
      "played": null,
      "settled": false,
      "message": "More than one pawn can move."
    }
  ]
}
"#;
        assert_eq!(to_string(&study()).unwrap(), expected);
    }

    #[test]
    fn faults_are_told_with_their_place() {
        let cases = [
            ("", "line 1, column 0: EOF while parsing a value"),
            (
                "{\"format\": \"plyscribe-study\",\n \"version\": 1,}",
                "line 2, column 15: trailing comma",
            ),
            (
                "{\"format\": \"recipe\", \"version\": 1}",
                "format: this is \"recipe\", not a study (\"plyscribe-study\")",
            ),
            (
                "{\"format\": \"plyscribe-study\", \"version\": 2}",
                "version: this is version 2; only version 1 can be read",
            ),
            (
                "{\"format\": \"plyscribe-study\", \"version\": 1}",
                "line 1, column 43: missing field `title`",
            ),
        ];
        for (text, expected) in cases {
            assert_eq!(from_str(text).unwrap_err().to_string(), expected);
        }
        let illegal = to_string(&study()).unwrap().replace(
            "\"e2e4\",\n          \"san\"",
            "\"e2e5\",\n          \"san\"",
        );
        assert_eq!(
            from_str(&illegal).unwrap_err().to_string(),
            "games[0].nodes[1]: e2e5 can't be played there"
        );
    }
}
