//! Timed text in, a [`Transcript`] of words with their seconds out.
//!
//! Readers for WebVTT, SRT, `[m:ss]` paragraphs and JSON segments all give the same thing: the words of the
//! lesson in the order in which they were said, each with its own time.
//!
//! ```
//! use plyscribe::transcript;
//!
//! let file = b"WEBVTT\n\n00:01.000 --> 00:02.500\n<v Anna>Bishop b5, the Spanish.\n";
//! let lesson = transcript::read(file, "lesson.vtt")?;
//! let words: Vec<&str> = lesson.words.iter().map(|word| word.text.as_str()).collect();
//! assert_eq!(words, ["Bishop", "b5,", "the", "Spanish."]);
//! assert_eq!(lesson.words[0].start, 1.0);
//! # Ok::<(), transcript::TranscriptError>(())
//! ```
//!
//! A reader ([`webvtt`], [`srt`], [`paragraphs`], [`segments`]) turns its file into captions of tokens. The rest is the
//! same for all: `rolling` takes out the words that captions repeat, `caption` sounds, turn marks and speakers' names,
//! `placing` gives every word its time.
//!
//! All readers are safe on any bytes and take time in proportion to the length of the file.
//!
//! Of the crates for these formats at crates.io, `subtp` 0.2.0 and `rsubs-lib` 0.4.0 were looked at: both refuse a file
//! at its first broken cue and leave tags and word times as text, so the readers here are our own. Character references
//! are decoded by the crate `htmlize`, JSON by `serde_json`.

mod caption;
mod clock;
mod encoding;
mod markup;
pub mod paragraphs;
mod placing;
mod rolling;
pub mod segments;
pub mod srt;
pub mod webvtt;

use caption::{Caption, Oddities};

/// One word as it stands in the transcript, with the punctuation that touches it.
#[derive(Debug, Clone, PartialEq)]
pub struct Word {
    /// The word with its own punctuation and case (`"Nf3,"`), never empty, no white space inside.
    pub text: String,
    /// Seconds from the start of the recording at which the word begins.
    pub start: f64,
    /// Seconds at which the word ends; never before `start`.
    pub end: f64,
    /// Index of the caption (cue, segment, paragraph) that it came from, from 0 in file order.
    pub caption: u32,
    /// Whether another voice takes over with this word (`>> `, `NAME:`, a changed `<v Name>`).
    pub turn: bool,
}

/// The words of one lesson in time order, with what the file said about itself.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Transcript {
    /// The words in the order in which they were said.
    pub words: Vec<Word>,
    /// Language code given by the file itself (`Language: en`, `"language": "en"`), if any.
    pub language: Option<String>,
    /// Title given by the file itself, if any.
    pub title: Option<String>,
    /// Seconds at which the last caption ends (or the duration that the file names).
    pub seconds: f64,
    /// What was odd but could be read around.
    pub warnings: Vec<Warning>,
}

/// Something odd in a transcript that did not stop the reading.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Warning {
    /// Line in the file, from 1.
    pub line: usize,
    /// What was wrong and what was done about it, as one plain sentence.
    pub message: String,
}

/// The formats that can be read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[non_exhaustive]
pub enum Format {
    /// W3C WebVTT (`.vtt`).
    WebVtt,
    /// SubRip captions (`.srt`).
    Srt,
    /// Text whose paragraphs or lines begin with a time, `[m:ss]` or `[h:mm:ss]` (`.txt`).
    Paragraphs,
    /// JSON with `segments`, as speech recognisers write it (`.json`).
    Segments,
}

impl Format {
    /// The format that the suffix of a file name stands for, if it stands for one.
    ///
    /// ```
    /// use plyscribe::transcript::Format;
    /// assert_eq!(Format::of_name("lessons/caro.VTT"), Some(Format::WebVtt));
    /// assert_eq!(Format::of_name("-"), None);
    /// ```
    #[must_use]
    pub fn of_name(name: &str) -> Option<Self> {
        let file = name.rsplit(['/', '\\']).next().unwrap_or(name);
        let (_, suffix) = file.rsplit_once('.')?;
        match suffix.to_ascii_lowercase().as_str() {
            "vtt" | "webvtt" => Some(Self::WebVtt),
            "srt" => Some(Self::Srt),
            "txt" | "text" | "md" => Some(Self::Paragraphs),
            "json" => Some(Self::Segments),
            _ => None,
        }
    }

    /// The format that the text itself shows, if it shows one.
    ///
    /// ```
    /// use plyscribe::transcript::Format;
    /// assert_eq!(Format::of_text("1\n00:00:01,000 --> 00:00:02,000\ne4"), Some(Format::Srt));
    /// assert_eq!(Format::of_text("[0:05] e4"), Some(Format::Paragraphs));
    /// assert_eq!(Format::of_text("e4"), None);
    /// ```
    #[must_use]
    pub fn of_text(text: &str) -> Option<Self> {
        if webvtt::is_header(text) {
            return Some(Self::WebVtt);
        }
        let mut marks = text.chars().filter(|c| !c.is_whitespace());
        match (marks.next(), marks.next()) {
            (Some('{'), Some('"' | '}')) | (Some('['), Some('{' | ']')) => {
                return Some(Self::Segments);
            }
            _ => {}
        }
        let lines = clock::lines(text);
        if lines.iter().any(|line| clock::timing(line.text).is_some()) {
            return Some(Self::Srt);
        }
        lines
            .iter()
            .any(|line| paragraphs::begins(line.text))
            .then_some(Self::Paragraphs)
    }

    /// The name of the format for messages.
    #[must_use]
    pub fn title(self) -> &'static str {
        match self {
            Self::WebVtt => "WebVTT",
            Self::Srt => "SRT",
            Self::Paragraphs => "text with times",
            Self::Segments => "JSON segments",
        }
    }
}

/// Why a file can't be read as a transcript. Lines and columns count from 1; columns count characters.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum TranscriptError {
    /// Nothing in it, or white space only.
    #[error(
        "the file is empty; give the timed transcript of a lesson (WebVTT, SRT, [m:ss] text or JSON segments)"
    )]
    Empty,
    /// Text in an encoding other than UTF-8 or marked UTF-16.
    #[error(
        "line {line}, column {column}: the byte 0x{byte:02X} is not UTF-8 (the file may be in Windows-1252 or Latin-1); \
         save it as UTF-8"
    )]
    Encoding {
        /// Line of the first bad byte.
        line: usize,
        /// Column of the first bad byte.
        column: usize,
        /// The byte.
        byte: u8,
    },
    /// Binary, or UTF-16 without its byte order mark.
    #[error(
        "this is no text but a binary file, or UTF-16 without a byte order mark; export the transcript as WebVTT, SRT, \
         text or JSON, in UTF-8"
    )]
    NotText,
    /// JSON that breaks its own rules.
    #[error(
        "line {line}, column {column}: the JSON is broken: {message}; export it again, or mend it there"
    )]
    Json {
        /// Line at which the parser stopped.
        line: usize,
        /// Column at which the parser stopped; 0 if it stopped before the line's first character.
        column: usize,
        /// What the parser says.
        message: String,
    },
    /// Well-formed JSON that has no segments.
    #[error(
        "the JSON has no list of segments; it needs \"segments\": [{{\"start\": seconds, \"end\": seconds, \"text\": ...}}, ...], \
         or that list alone"
    )]
    NoSegments,
    /// Text without a time anywhere.
    #[error(
        "the text has no times, so its words can't be tied to the recording; export the transcript with times, as WebVTT \
         or SRT, or begin its paragraphs with [m:ss]"
    )]
    NoTimes,
    /// Times, but no words.
    #[error(
        "line {line}: from the first time on there are only times, but no words to them; export the transcript with its text"
    )]
    NoWords {
        /// Line of the first time.
        line: usize,
    },
}

impl TranscriptError {
    /// Line and column of the trouble, each where it has one.
    #[must_use]
    pub fn place(&self) -> (Option<usize>, Option<usize>) {
        match *self {
            Self::Encoding { line, column, .. } | Self::Json { line, column, .. } => {
                (Some(line), Some(column))
            }
            Self::NoWords { line } => (Some(line), None),
            Self::Empty | Self::NotText | Self::NoSegments | Self::NoTimes => (None, None),
        }
    }
}

/// Reads a transcript in any of the [formats](Format).
///
/// `name` is the name of the file, or `-`: its suffix tells the format. Where the text is plainly of another one, that
/// one is read, with a warning; where the name tells nothing, the text alone decides. The bytes are UTF-8, or UTF-16
/// with a byte order mark.
///
/// # Errors
/// See [`TranscriptError`]. What is odd but can be read around is told in [`Transcript::warnings`].
pub fn read(bytes: &[u8], name: &str) -> Result<Transcript, TranscriptError> {
    let mut warnings = Vec::new();
    let text = encoding::decode(bytes, &mut warnings)?;
    if text.chars().all(markup::separates) {
        return Err(TranscriptError::Empty);
    }
    let format = match (Format::of_name(name), Format::of_text(&text)) {
        // A WebVTT file without its header looks like SRT; its own reader warns of that.
        (Some(Format::WebVtt), None | Some(Format::Srt)) => Format::WebVtt,
        (Some(named), Some(shown)) if named != shown => {
            let message = format!(
                "the name says {}, but this is {}; it was read as that",
                named.title(),
                shown.title()
            );
            warnings.push(Warning { line: 1, message });
            shown
        }
        (_, Some(shown)) => shown,
        (Some(named), None) => named,
        (None, None) => return Err(TranscriptError::NoTimes),
    };
    let mut transcript = match format {
        Format::WebVtt => webvtt::read(&text),
        Format::Srt => srt::read(&text),
        Format::Paragraphs => paragraphs::read(&text),
        Format::Segments => segments::read(&text),
    }?;
    warnings.append(&mut transcript.warnings);
    transcript.warnings = warnings;
    Ok(transcript)
}

/// From captions to words: what all formats share. `repeats` says whether captions of the format may show again what
/// those before them showed.
fn assemble(
    mut captions: Vec<Caption>,
    repeats: bool,
    mut oddities: Oddities,
) -> Result<Transcript, TranscriptError> {
    let Some(first) = captions
        .iter()
        .find(|caption| caption.start.or(caption.end).is_some())
    else {
        return Err(TranscriptError::NoTimes);
    };
    let line = first.line;
    placing::order(&mut captions, &mut oddities);
    // Before the cleaning, which then has a third of the words to do, and sees each turn mark once.
    let rolls = repeats && rolling::unroll(&mut captions, &mut oddities);
    caption::clean(&mut captions);
    let (words, seconds) = placing::place(&captions, rolls, &mut oddities);
    if words.is_empty() {
        return Err(TranscriptError::NoWords { line });
    }
    Ok(Transcript {
        words,
        seconds,
        warnings: oddities.finish(),
        ..Transcript::default()
    })
}
