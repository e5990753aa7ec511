//! A lesson taken the whole way, from the transcript that a user would have to the score of its study.

use shakmaty::Chess;

use super::score::{Row, score_study};
use super::source::{Board, Source};
use super::write::{Layout, transcript_text};
use crate::read::{Reader, StartChoice};
use crate::study::Study;
use crate::transcript::read;

/// The boards as a user would give them: none where all are standard or set up in the narration.
fn starts(lesson: &Source) -> Vec<StartChoice> {
    let standard = Chess::default();
    if lesson
        .boards
        .iter()
        .all(|b| b.start == standard || !b.given)
    {
        return Vec::new();
    }
    let choice = |b: &Board| match (b.start == standard, b.given) {
        (true, _) => StartChoice::Standard,
        (false, true) => StartChoice::Position(Box::new(b.start.clone())),
        (false, false) => StartChoice::Said,
    };
    lesson.boards.iter().map(choice).collect()
}

/// Writes the transcript of a lesson in its own format, reads it again and makes the study of it.
///
/// # Errors
/// What is wrong with the lesson: a format that does not exist, a transcript that can't be read.
pub fn study_of(reader: &Reader, lesson: &Source) -> Result<Study, String> {
    let name = &lesson.name;
    let format = lesson.meta.get("format").map_or("vtt", String::as_str);
    let layout = Layout::of_name(format)
        .ok_or_else(|| format!("{name}: no transcript format is called `{format}`"))?;
    let (suffix, said) = transcript_text(&lesson.transcript().0, layout);
    let file = format!("{name}.{suffix}");
    let transcript = read(said.as_bytes(), &file).map_err(|e| format!("{file}: {e}"))?;
    Ok(reader.study(&transcript, &starts(lesson), name, &file))
}

/// The score of the study that is made of a lesson ([`study_of`]).
///
/// # Errors
/// As for [`study_of`]; also a key that can't be scored.
pub fn measure(reader: &Reader, lesson: &Source) -> Result<Row, String> {
    let study = study_of(reader, lesson)?;
    score_study(&lesson.gold().to_string(), &study).map_err(|e| format!("{}: {e}", lesson.name))
}
