//! The reader for SRT (SubRip) captions.
//!
//! The format has no standard. Common practice, with no source: a number, a line `hh:mm:ss,ttt --> hh:mm:ss,ttt`, lines
//! of text (with `<i>` and the like), a blank line. Dots for commas, missing numbers and missing blank lines are common
//! too, and so is text behind a blank line; all are read.
//!
//! ```
//! use plyscribe::transcript::srt;
//!
//! let lesson = srt::read("1\n00:00:01,000 --> 00:00:02,000\n<i>Knight f3.</i>\n")?;
//! assert_eq!(lesson.words[0].text, "Knight");
//! assert_eq!(lesson.words[0].start, 1.0);
//! # Ok::<(), plyscribe::transcript::TranscriptError>(())
//! ```

use super::caption::{Caption, Oddities};
use super::clock::{clock, lines, timing};
use super::webvtt::{drop_number, warn_of_times};
use super::{Transcript, TranscriptError, assemble, markup};

/// Reads SRT.
///
/// # Errors
/// [`TranscriptError::NoTimes`] if there is no caption, [`TranscriptError::NoWords`] if no caption has words.
pub fn read(text: &str) -> Result<Transcript, TranscriptError> {
    let lines = lines(text);
    let mut oddities = Oddities::default();
    let mut captions: Vec<Caption> = Vec::new();
    let mut blank = true;
    let is_number =
        |text: &str| !text.trim().is_empty() && text.trim().bytes().all(|b| b.is_ascii_digit());
    for (at, line) in lines.iter().enumerate() {
        if line.text.trim().is_empty() {
            blank = true;
            continue;
        }
        let numbered = at > 0 && is_number(lines[at - 1].text);
        if let Some(time) = timing(line.text) {
            if !time.sound {
                warn_of_times(&mut oddities, *line);
            }
            drop_number(captions.last_mut(), at, &lines);
            captions.push(Caption::new(
                captions.len(),
                line.number,
                time.start,
                time.end,
            ));
        } else if numbered
            && let Some((start, rest)) = clock(line.text.trim())
            && !rest.contains(char::is_alphabetic)
        {
            // A time where the two should stand, behind the caption's number: the arrow or the end is lost.
            warn_of_times(&mut oddities, *line);
            drop_number(captions.last_mut(), at, &lines);
            captions.push(Caption::new(captions.len(), line.number, Some(start), None));
        } else if blank
            && is_number(line.text)
            && lines
                .get(at + 1)
                .is_some_and(|next| timing(next.text).is_some())
        {
            // The number of the caption that follows.
        } else if let Some(caption) = captions.last_mut() {
            markup::cue_text(*line, &mut caption.tokens);
        } else if !is_number(line.text) {
            oddities.count(
                line.number,
                "text before the first caption has no times; it was left out",
            );
        }
        blank = false;
    }
    assemble(captions, true, oddities)
}
