//! What the program's commands do once their arguments are parsed: reading a lesson, writing its study, telling its flags.
//!
//! ```
//! use plyscribe::command::{clock, seconds};
//!
//! assert_eq!(seconds("3:21").unwrap(), 201.0);
//! assert_eq!(seconds("1:02:11.5").unwrap(), 3731.5);
//! assert_eq!(seconds("83").unwrap(), 83.0);
//! assert!(seconds("3:75").is_err());
//! assert_eq!(clock(201.4), "3:21");
//! assert_eq!(clock(3731.0), "1:02:11");
//! ```

use std::io::{self, ErrorKind, Read, Write};
use std::path::{Path, PathBuf};

use shakmaty::fen::Fen;
use shakmaty::{CastlingMode, Chess, PositionError, PositionErrorKinds};
use thiserror::Error;

use crate::export::file::{self, FileError};
use crate::export::pgn::Times;
use crate::export::verify::StudyError;
use crate::export::{json, json::JsonError, pgn};
use crate::grammar::Grammar;
use crate::read::{Reader, StartChoice};
use crate::study::{FlagKind, Study};
use crate::transcript::{self, Transcript, TranscriptError};

/// Why a command can't do what it was asked for: bad usage or bad input. Nothing has been written.
#[derive(Debug, Error)]
pub enum CommandError {
    /// The lesson's file is not there.
    #[error("{}: there is no such file", .0.display())]
    Missing(PathBuf),
    /// The lesson is a folder.
    #[error("{}: it is a folder; give the transcript of one lesson", .0.display())]
    Folder(PathBuf),
    /// The lesson's file is there, but can't be read.
    #[error("{name}: can't read it: {source}")]
    Unreadable {
        /// The file, or `standard input`.
        name: String,
        /// What the system says.
        source: io::Error,
    },
    /// The lesson's file is no transcript.
    #[error("{name}: {source}")]
    Transcript {
        /// The file, or `standard input`.
        name: String,
        /// What is wrong with it.
        source: TranscriptError,
    },
    /// A language without a grammar was asked for.
    #[error(
        "--language {code}: there is no grammar for it; there is {there}, and auto (what the transcript says, else English)"
    )]
    Language {
        /// As it was given.
        code: String,
        /// What there is.
        there: String,
    },
    /// The transcript says that it is in a language without a grammar.
    #[error(
        "{name}: it says that its language is \"{code}\"; there is a grammar for {there} only. If it is in English all the same, give --language en"
    )]
    TranscriptLanguage {
        /// The file.
        name: String,
        /// As the file says it.
        code: String,
        /// What there is.
        there: String,
    },
    /// A start that is none.
    #[error("--start \"{text}\": {reason}")]
    Start {
        /// As it was given.
        text: String,
        /// Why it can't be.
        reason: String,
    },
    /// A time that can't be read.
    #[error("\"{0}\" is no time; give seconds (83), m:ss (1:23) or h:mm:ss (1:02:11)")]
    Time(String),
    /// A time at which the lesson is not, or no longer, running.
    #[error("{name}: {asked} is behind its end; it ends at {end}")]
    Outside {
        /// The file.
        name: String,
        /// The time asked for.
        asked: String,
        /// Where the lesson ends.
        end: String,
    },
    /// Two outputs with one name.
    #[error("{}: --pgn and --json can't both go to one file", .0.display())]
    SameFile(PathBuf),
    /// A file can't be written.
    #[error(transparent)]
    File(#[from] FileError),
    /// The study doesn't hold together: a fault of the program.
    #[error("a fault in plyscribe, please report it with the lesson: {0}")]
    Study(#[from] StudyError),
    /// The study can't be written as JSON: a fault of the program.
    #[error("a fault in plyscribe, please report it with the lesson: {0}")]
    Json(#[from] JsonError),
    /// Standard output can't be written to.
    #[error("can't write to standard output: {0}")]
    Output(io::Error),
}

/// A lesson read from its file.
#[derive(Debug)]
pub struct Lesson {
    /// File name without folders, or `-`.
    pub name: String,
    /// What messages call it.
    pub place: String,
    /// The transcript.
    pub transcript: Transcript,
}

impl Lesson {
    /// Reads the transcript at `path`; `-` is standard input.
    ///
    /// # Errors
    /// [`CommandError`] if the file can't be read or is no transcript.
    pub fn read(path: &Path) -> Result<Lesson, CommandError> {
        let mut bytes = Vec::new();
        let (name, place) = if path.as_os_str() == "-" {
            let place = "standard input".to_owned();
            if let Err(source) = io::stdin().lock().read_to_end(&mut bytes) {
                return Err(CommandError::Unreadable {
                    name: place,
                    source,
                });
            }
            ("-".to_owned(), place)
        } else {
            let place = path.display().to_string();
            bytes = std::fs::read(path).map_err(|source| match source.kind() {
                _ if path.is_dir() => CommandError::Folder(path.to_path_buf()),
                ErrorKind::NotFound => CommandError::Missing(path.to_path_buf()),
                _ => CommandError::Unreadable {
                    name: place.clone(),
                    source,
                },
            })?;
            let name = path
                .file_name()
                .map_or_else(|| place.clone(), |n| n.to_string_lossy().into_owned());
            (name, place)
        };
        match transcript::read(&bytes, &name) {
            Ok(transcript) => Ok(Lesson {
                name,
                place,
                transcript,
            }),
            Err(source) => Err(CommandError::Transcript {
                name: place,
                source,
            }),
        }
    }

    /// What was odd in the file, a line each, with its place.
    pub fn warnings(&self) -> Vec<String> {
        self.transcript
            .warnings
            .iter()
            .map(|w| format!("{}, line {}: {}", self.place, w.line, w.message))
            .collect()
    }

    /// The title: the one given, the file's own, or its name without the suffix.
    pub fn title(&self, given: Option<&str>) -> String {
        if let Some(title) = given.map(str::trim).filter(|t| !t.is_empty()) {
            return title.to_owned();
        }
        match self.transcript.title.as_deref().map(str::trim) {
            Some(title) if !title.is_empty() => title.to_owned(),
            _ if self.name == "-" => "Lesson".to_owned(),
            _ => Path::new(&self.name)
                .file_stem()
                .map_or_else(|| self.name.clone(), |s| s.to_string_lossy().into_owned()),
        }
    }

    /// A time of the lesson.
    ///
    /// # Errors
    /// [`CommandError::Time`] if the text is no time, [`CommandError::Outside`] if the lesson is over by then.
    pub fn time(&self, text: &str) -> Result<f64, CommandError> {
        let at = seconds(text)?;
        let end = self
            .transcript
            .words
            .last()
            .map_or(0.0, |w| w.end)
            .max(self.transcript.seconds);
        if at > end {
            return Err(CommandError::Outside {
                name: self.place.clone(),
                asked: clock(at),
                end: clock(end),
            });
        }
        Ok(at)
    }
}

/// The reader for a lesson. `language` is a language code or `auto`: what the transcript says, else English.
///
/// # Errors
/// [`CommandError`] if there is no grammar for the language.
pub fn reader(language: &str, lesson: &Lesson) -> Result<Reader, CommandError> {
    let reader = Reader::english();
    let there = || format!("{} ({})", reader.grammar.language(), reader.grammar.name());
    if language.eq_ignore_ascii_case("auto") {
        match lesson.transcript.language.as_deref().map(str::trim) {
            Some(code) if !code.is_empty() && !speaks(&reader.grammar, code) => {
                return Err(CommandError::TranscriptLanguage {
                    name: lesson.place.clone(),
                    code: code.to_owned(),
                    there: there(),
                });
            }
            _ => {}
        }
    } else if !speaks(&reader.grammar, language) {
        return Err(CommandError::Language {
            code: language.to_owned(),
            there: there(),
        });
    }
    Ok(reader)
}

/// Whether a grammar is for a language, given as a code (`en`, `en-GB`) or by its English name.
fn speaks(grammar: &Grammar, code: &str) -> bool {
    let primary = code.split(['-', '_']).next().unwrap_or(code);
    primary.eq_ignore_ascii_case(grammar.language()) || code.eq_ignore_ascii_case(grammar.name())
}

/// Reads the starts of a lesson's boards: `standard`, `said` or a FEN each.
///
/// # Errors
/// [`CommandError::Start`] with the reason why a start can't be a position.
pub fn starts(list: &[String]) -> Result<Vec<StartChoice>, CommandError> {
    list.iter()
        .map(|text| match text.trim() {
            "standard" => Ok(StartChoice::Standard),
            "said" => Ok(StartChoice::Said),
            fen => {
                let bad = |reason: String| CommandError::Start {
                    text: text.clone(),
                    reason,
                };
                let fen: Fen = fen
                    .parse()
                    .map_err(|e| bad(format!("it is neither standard, said nor a FEN ({e})")))?;
                let position: Result<Chess, PositionError<Chess>> =
                    fen.into_position(CastlingMode::Standard);
                Ok(StartChoice::Position(Box::new(
                    position.map_err(|e| bad(impossible(e.kinds())))?,
                )))
            }
        })
        .collect()
}

fn impossible(kinds: PositionErrorKinds) -> String {
    let reasons: Vec<&str> = [
        (PositionErrorKinds::EMPTY_BOARD, "the board is empty"),
        (PositionErrorKinds::MISSING_KING, "a king is missing"),
        (
            PositionErrorKinds::TOO_MANY_KINGS,
            "a side has more than one king",
        ),
        (
            PositionErrorKinds::PAWNS_ON_BACKRANK,
            "a pawn stands on the first or the last rank",
        ),
        (
            PositionErrorKinds::OPPOSITE_CHECK,
            "the side that is not to move is in check",
        ),
        (
            PositionErrorKinds::IMPOSSIBLE_CHECK,
            "no move can lead to the check that is on the board",
        ),
        (
            PositionErrorKinds::TOO_MUCH_MATERIAL,
            "a side has more pieces than its pawns can have become",
        ),
        (
            PositionErrorKinds::INVALID_CASTLING_RIGHTS,
            "its king or a rook is not where the castling rights need it",
        ),
        (
            PositionErrorKinds::INVALID_EP_SQUARE,
            "no pawn can have just passed its en passant square",
        ),
    ]
    .into_iter()
    .filter(|(kind, _)| kinds.contains(*kind))
    .map(|(_, reason)| reason)
    .collect();
    if reasons.is_empty() {
        "the position can't arise".to_owned()
    } else {
        format!("the position can't arise: {}", reasons.join(", and "))
    }
}

/// Where the results of `align` go.
#[derive(Debug, Clone, Default)]
pub struct Outputs {
    /// The PGN study; standard output if absent.
    pub pgn: Option<PathBuf>,
    /// The study as JSON.
    pub json: Option<PathBuf>,
    /// How PGN comments tell times.
    pub times: Times,
}

impl Outputs {
    /// Writes a study: its files all or none of them, then standard output.
    ///
    /// # Errors
    /// [`CommandError`]; no file was changed then, unless it is only standard output that failed.
    pub fn write(&self, study: &Study) -> Result<(), CommandError> {
        let text = pgn::to_string(study, self.times)?;
        let mut files: Vec<(&Path, &str)> = Vec::new();
        let json_text;
        if let Some(path) = &self.json {
            json_text = json::to_string(study)?;
            files.push((path, &json_text));
        }
        if let Some(path) = &self.pgn {
            if self
                .json
                .as_ref()
                .is_some_and(|other| same_file(path, other))
            {
                return Err(CommandError::SameFile(path.clone()));
            }
            files.push((path, &text));
        }
        file::write_all(&files)?;
        if self.pgn.is_none() {
            print(&text)?;
        }
        Ok(())
    }
}

/// Whether two paths name one regular file, or would.
fn same_file(a: &Path, b: &Path) -> bool {
    let full = |path: &Path| {
        std::fs::canonicalize(path).ok().or_else(|| {
            let folder = path
                .parent()
                .filter(|f| !f.as_os_str().is_empty())
                .unwrap_or(Path::new("."));
            Some(std::fs::canonicalize(folder).ok()?.join(path.file_name()?))
        })
    };
    let device = std::fs::metadata(a).is_ok_and(|there| !there.is_file());
    !device && (a == b || full(a).is_some_and(|a| full(b) == Some(a)))
}

/// Prints to standard output. A reader that has gone away (`| head`) has what it wanted.
///
/// # Errors
/// [`CommandError::Output`] for any other failure.
pub fn print(text: &str) -> Result<(), CommandError> {
    let mut out = io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(error) if error.kind() != ErrorKind::BrokenPipe => Err(CommandError::Output(error)),
        _ => Ok(()),
    }
}

/// What a user should know of a study beside its text: boards without a move, and the flags.
pub fn remarks(study: &Study) -> String {
    let mut out = String::new();
    if study.games.iter().all(|game| game.nodes.len() < 2) {
        out.push_str("no moves were found: the study is the starting position with what is said as its comments\n");
    }
    let open: Vec<_> = study.flags.iter().filter(|flag| !flag.settled).collect();
    if !open.is_empty() {
        let width = open
            .iter()
            .map(|flag| clock(flag.start).len())
            .max()
            .unwrap_or(4);
        out.push_str(&format!("{} to look at:\n", count(open.len(), "place")));
        for flag in open {
            let quoted = format!("“{}”", flag.text);
            let rest = flag
                .message
                .strip_prefix(&quoted)
                .unwrap_or(&flag.message)
                .trim_start();
            let kind = match flag.kind {
                FlagKind::Illegal => "illegal",
                FlagKind::Ambiguous => "ambiguous",
                FlagKind::Unclear => "unclear",
                FlagKind::Claim => "claim",
            };
            out.push_str(&format!(
                "{:>width$}  {kind:<9}  \"{}\"  {rest}\n",
                clock(flag.start),
                shortened(bare(&flag.text), 40)
            ));
        }
    }
    out
}

/// Words without the punctuation at their ends.
fn bare(text: &str) -> &str {
    text.trim_matches(|c: char| {
        matches!(c, '.' | ',' | ';' | ':' | '!' | '?' | '-' | '–' | '—') || c.is_whitespace()
    })
}

fn count(number: usize, what: &str) -> String {
    format!("{number} {what}{}", if number == 1 { "" } else { "s" })
}

/// A text of at most `most` characters; what is cut away shows as `…`.
pub(crate) fn shortened(text: &str, most: usize) -> String {
    if text.chars().count() <= most {
        return text.to_owned();
    }
    let cut: String = text.chars().take(most.saturating_sub(1)).collect();
    format!("{}…", cut.trim_end())
}

/// Reads a time: seconds, `m:ss` or `h:mm:ss`, each with a fraction if wanted.
///
/// # Errors
/// [`CommandError::Time`] for anything else.
pub fn seconds(text: &str) -> Result<f64, CommandError> {
    let bad = || CommandError::Time(text.to_owned());
    let parts: Vec<&str> = text.trim().split(':').collect();
    if parts.len() > 3 {
        return Err(bad());
    }
    let mut total = 0.0;
    for (index, part) in parts.iter().enumerate() {
        let (whole, fraction) = match part.split_once('.') {
            Some((whole, fraction)) if index + 1 == parts.len() => (whole, Some(fraction)),
            Some(_) => return Err(bad()),
            None => (*part, None),
        };
        let digits =
            |s: &str| !s.is_empty() && s.len() <= 9 && s.bytes().all(|b| b.is_ascii_digit());
        if !digits(whole) || fraction.is_some_and(|f| !digits(f)) {
            return Err(bad());
        }
        let value: f64 = part.parse().map_err(|_| bad())?;
        // After a colon: two digits, under sixty.
        if index > 0 && (whole.len() != 2 || value >= 60.0) {
            return Err(bad());
        }
        total = total * 60.0 + value;
    }
    Ok(total)
}

/// A time for people: `m:ss`, or `h:mm:ss` from an hour on; fractions are cut off.
pub fn clock(seconds: f64) -> String {
    let whole = seconds.max(0.0) as u64;
    let (hours, minutes, seconds) = (whole / 3600, whole / 60 % 60, whole % 60);
    if hours > 0 {
        format!("{hours}:{minutes:02}:{seconds:02}")
    } else {
        format!("{minutes}:{seconds:02}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_no_time_is_refused() {
        for text in [
            "", ":", "3:", ":21", "3:7", "3:60", "1:60:00", "1:2:3:4", "-3", "3m", "1e3", "nan",
            "3.5:10", "3:21.", "٣",
        ] {
            assert!(seconds(text).is_err(), "{text}");
        }
        // Minutes may pass 59 where there are no hours.
        assert_eq!(seconds("75:03").unwrap(), 4503.0);
    }

    #[test]
    fn impossible_starts_say_why() {
        let reason = |fen: &str| starts(&[fen.to_owned()]).unwrap_err().to_string();
        assert!(reason("8/8/8/8/8/8/8/K7 w - - 0 1").contains("a king is missing"));
        assert!(reason("k7/8/8/8/8/8/8/KQ5P w - - 0 1").contains("a pawn stands on the first"));
        assert!(
            reason("k7/8/8/8/8/8/Q7/K7 w - - 0 1")
                .contains("the side that is not to move is in check")
        );
        assert!(reason("k7/8/8/8/8/8/8/K7 w Q - 0 1").contains("castling"));
        assert!(reason("from the middle").contains("neither standard, said nor a FEN"));
        assert_eq!(
            starts(&[
                "standard".into(),
                "said".into(),
                "k7/8/8/8/8/8/8/K6R w - - 0 1".into()
            ])
            .unwrap()
            .len(),
            3
        );
    }

    #[test]
    fn a_language_may_have_a_region_or_a_name() {
        let grammar = Grammar::english();
        for code in ["en", "EN", "en-GB", "en_US", "English"] {
            assert!(speaks(&grammar, code), "{code}");
        }
        for code in ["", "de", "e", "enx"] {
            assert!(!speaks(&grammar, code), "{code}");
        }
    }
}
