//! The whole way from a transcript to its study, for callers who want just that.
//!
//! ```
//! use plyscribe::read::{Reader, StartChoice};
//!
//! let text = "[0:00] We open with e4, and black answers c5. Then knight f3, d6.\n";
//! let transcript = plyscribe::transcript::read(text.as_bytes(), "lesson.txt").unwrap();
//! let study = Reader::english().study(&transcript, &[], "A short lesson", "lesson.txt");
//! assert_eq!(study.games.len(), 1);
//! # let _ = StartChoice::Standard;
//! ```

use shakmaty::Chess;

use crate::decode::{Decoder, Model, Options, Outcome, Start};
use crate::grammar::Grammar;
use crate::speech::{Speech, read};
use crate::study::{Study, build};
use crate::transcript::Transcript;

/// Where one board of a lesson starts.
#[derive(Debug, Clone)]
pub enum StartChoice {
    /// The starting position of chess.
    Standard,
    /// A position.
    Position(Box<Chess>),
    /// The narration sets it up.
    Said,
}

/// A grammar with its model, ready to read lessons.
#[derive(Debug)]
pub struct Reader {
    /// The grammar.
    pub grammar: Grammar,
    /// The model.
    pub model: Model,
    /// How hard to search.
    pub options: Options,
}

impl Reader {
    /// The reader for English.
    pub fn english() -> Reader {
        Reader {
            grammar: Grammar::english(),
            model: Model::built_in(),
            options: Options::default(),
        }
    }

    /// The events of a transcript.
    pub fn speech(&self, transcript: &Transcript) -> Speech {
        read(transcript, &self.grammar)
    }

    /// Decodes a transcript's speech; `starts` are the boards in order, one standard board if empty.
    pub fn decode<'a>(
        &'a self,
        speech: &'a Speech,
        starts: &[StartChoice],
    ) -> (Decoder<'a>, Outcome) {
        let starts = if starts.is_empty() {
            &[StartChoice::Standard]
        } else {
            starts
        };
        let boards: Vec<Start> = starts
            .iter()
            .map(|s| {
                let position = match s {
                    StartChoice::Position(p) => (**p).clone(),
                    StartChoice::Standard | StartChoice::Said => Chess::default(),
                };
                Start {
                    position,
                    from_event: 0,
                }
            })
            .collect();
        let mut decoder = Decoder::new(speech, &self.grammar, &self.model, &boards);
        let outcome = decoder.search(self.options, |_, _, _| true);
        (decoder, outcome)
    }

    /// The study of a transcript.
    pub fn study(
        &self,
        transcript: &Transcript,
        starts: &[StartChoice],
        title: &str,
        name: &str,
    ) -> Study {
        let speech = self.speech(transcript);
        let (decoder, outcome) = self.decode(&speech, starts);
        build(&outcome, &decoder, &self.grammar, transcript, title, name)
    }
}
