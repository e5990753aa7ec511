//! The reader for WebVTT.
//!
//! After the W3C's "WebVTT: The Web Video Text Tracks Format" (section numbers are from memory), read more widely than
//! it asks, since files are mended by hand: nothing that was said is lost for a missing header, a blank line in a cue or
//! a broken time; it is warned of instead.
//!
//! ```
//! use plyscribe::transcript::webvtt;
//!
//! let lesson = webvtt::read("WEBVTT\nLanguage: en\n\nopening\n00:01.000 --> 00:03.000 align:start\ne4<00:02.000> e5\n")?;
//! assert_eq!(lesson.language.as_deref(), Some("en"));
//! assert_eq!(lesson.words[1].text, "e5");
//! assert_eq!(lesson.words[1].start, 2.0);
//! # Ok::<(), plyscribe::transcript::TranscriptError>(())
//! ```

use super::caption::{Caption, Oddities};
use super::clock::{Line, lines, timing};
use super::{Transcript, TranscriptError, assemble, markup};

/// Whether the text begins with the header of a WebVTT file: `WEBVTT`, then a space, a tab or the line's end (section
/// 4.1, "WebVTT file body").
pub(super) fn is_header(text: &str) -> bool {
    let first = text.split(['\n', '\r']).next().unwrap_or_default();
    first
        .strip_prefix("WEBVTT")
        .is_some_and(|rest| rest.is_empty() || rest.starts_with([' ', '\t']))
}

/// Where the scanner stands.
#[derive(PartialEq)]
enum Place {
    /// In the header, up to the first blank line.
    Header,
    /// Behind a blank line.
    Between,
    /// In a block that is no cue (`NOTE`, `STYLE`, `REGION`).
    Aside,
    /// In the text of a cue.
    Cue,
}

/// Reads WebVTT.
///
/// # Errors
/// [`TranscriptError::NoTimes`] if there is no cue, [`TranscriptError::NoWords`] if no cue has words.
pub fn read(text: &str) -> Result<Transcript, TranscriptError> {
    let lines = lines(text);
    let mut oddities = Oddities::default();
    let mut captions: Vec<Caption> = Vec::new();
    let (mut language, mut title) = (None, None);
    let mut place = Place::Header;
    if !is_header(text) {
        oddities.warn(
            1,
            "the file does not begin with WEBVTT; it was read as WebVTT all the same",
        );
        place = Place::Between;
    }
    let cue_at = |at: usize| lines.get(at).and_then(|line| timing(line.text));
    for (at, line) in lines.iter().enumerate() {
        if line.text.is_empty() {
            // Section 6.1: only a line of no characters ends a block; one of spaces doesn't.
            place = Place::Between;
        } else if let Some(time) = cue_at(at) {
            let mut caption = Caption::new(captions.len(), line.number, time.start, time.end);
            if !time.sound {
                warn_of_times(&mut oddities, *line);
            }
            // Section 6.1: a line with an arrow begins a cue even without a blank line before it. Where cues are numbered,
            // the number above it is the cue's identifier and no text of the cue before.
            drop_number(captions.last_mut(), at, &lines);
            caption.tokens.reserve(16);
            captions.push(caption);
            place = Place::Cue;
        } else {
            match place {
                Place::Header => {
                    let (key, value) = line.text.split_once(':').unwrap_or((line.text, ""));
                    let value = Some(value.trim())
                        .filter(|value| !value.is_empty())
                        .map(str::to_string);
                    match key.trim().to_ascii_lowercase().as_str() {
                        "language" => language = language.or(value),
                        "title" => title = title.or(value),
                        _ => {}
                    }
                }
                Place::Aside => {}
                // Section 4.1: comment, style and region blocks; and the header of a file that was put behind another.
                Place::Between if is_aside(line.text) => place = Place::Aside,
                // Section 4.1: the line above the times is the cue's identifier.
                Place::Between if cue_at(at + 1).is_some() => {}
                Place::Between => match captions.last_mut() {
                    Some(caption) => {
                        // Files whose lines lost their trailing spaces have such blank lines everywhere: no warning
                        // where the cue has no text yet.
                        if !caption.tokens.is_empty() {
                            oddities.count(line.number, "text behind a blank line has no times; it was read with the caption before it");
                        }
                        markup::cue_text(*line, &mut caption.tokens);
                        place = Place::Cue;
                    }
                    None => {
                        oddities.count(
                            line.number,
                            "text before the first caption has no times; it was left out",
                        );
                        place = Place::Aside;
                    }
                },
                Place::Cue => {
                    if let Some(caption) = captions.last_mut() {
                        markup::cue_text(*line, &mut caption.tokens);
                    }
                }
            }
        }
    }
    Ok(Transcript {
        language,
        title,
        ..assemble(captions, true, oddities)?
    })
}

fn is_aside(line: &str) -> bool {
    let opens = |word: &str| {
        line.strip_prefix(word)
            .is_some_and(|rest| rest.is_empty() || rest.starts_with([' ', '\t']))
    };
    opens("NOTE") || opens("WEBVTT") || matches!(line.trim_end(), "STYLE" | "REGION")
}

/// Warns of a timing line that could not be read, or not as it stands.
pub(super) fn warn_of_times(oddities: &mut Oddities, line: Line<'_>) {
    let shown: String = line.text.chars().take(60).collect();
    let missing = timing(line.text).is_none_or(|time| time.start.is_none() || time.end.is_none());
    let done = if missing {
        "what is missing was worked out from the captions around it"
    } else {
        "it was read all the same"
    };
    oddities.warn(line.number, format!("the times of this caption are not written as hh:mm:ss.ttt --> hh:mm:ss.ttt ({shown:?}); {done}"));
}

/// Takes the number of the cue whose times stand on line `at` off the end of the cue before, where no blank line parts
/// the two.
pub(super) fn drop_number(before: Option<&mut Caption>, at: usize, lines: &[Line<'_>]) {
    let Some(above) = at.checked_sub(1).map(|above| lines[above]) else {
        return;
    };
    let number = above.text.trim();
    if let Some(caption) = before
        && !number.is_empty()
        && number.bytes().all(|b| b.is_ascii_digit())
        && caption
            .tokens
            .last()
            .is_some_and(|token| token.line == above.number)
    {
        caption.tokens.pop();
    }
}
