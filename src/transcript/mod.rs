//! Timed text in, a [`Transcript`] of words with their seconds out.
//!
//! Readers for WebVTT, SRT, `[m:ss]` paragraphs and JSON segments all give the same thing: the words of the
//! lesson in the order in which they were said, each with its own time.

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
