//! Lessons with answer keys: reading their sources, aligning keys with events, fitting the model and scoring studies.
//!
//! The rest of the program does not depend on this folder; the `plyscribe-lessons` program and the tests do.

mod align;
mod fit;
mod measure;
mod narrate;
mod score;
mod source;
mod write;

pub use align::{Gold, Lesson, prepare};
pub use fit::{Decisions, FitOptions, decide, decode_row, fit, trace};
pub use measure::{measure, study_of};
pub use narrate::{Narration, Told, narrate};
pub use score::{Figures, Row, group_of, rows_to_text, score_missing, score_study};
pub use source::{Board, Mention, MentionKind, Source, SourceError, Walk};
pub use write::{Layout, transcript_text};
