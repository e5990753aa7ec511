//! The reader for JSON segments, the shape in which speech recognisers write: an object with a list `segments`, or that
//! list alone.
//!
//! | field | is |
//! | --- | --- |
//! | `language`, `title`, `duration` | of the whole, each may be missing; the duration in seconds |
//! | `segments[].start`, `.end` | seconds |
//! | `segments[].text` | what was said |
//! | `segments[].words[].word` (or `.text`), `.start`, `.end` | each word with its seconds; the list or a time may be missing |
//! | `words` | the same list for the whole, read where there are no segments |
//! | `segments[].speaker`, `.words[].speaker` | who speaks, may be missing |
//!
//! ```
//! use plyscribe::transcript::segments;
//!
//! let lesson = segments::read(r#"{"language": "en", "segments": [{"start": 1, "end": 2, "text": "e4 e5"}]}"#)?;
//! assert_eq!(lesson.words[1].text, "e5");
//! assert_eq!(lesson.language.as_deref(), Some("en"));
//! # Ok::<(), plyscribe::transcript::TranscriptError>(())
//! ```

use serde::Deserialize;
use serde_json::Value;
use serde_json::value::RawValue;

use super::caption::{Caption, Oddities, Token};
use super::clock::{LONGEST, Line};
use super::{Transcript, TranscriptError, assemble, markup};

/// The whole file. Segments stay raw at first, for their lines.
#[derive(Deserialize)]
struct File<'a> {
    #[serde(borrow)]
    segments: Option<Vec<&'a RawValue>>,
    #[serde(default)]
    language: Value,
    #[serde(default)]
    title: Value,
    #[serde(default)]
    duration: Value,
    /// Some recognisers list the words of the whole beside or instead of the segments.
    words: Option<&'a RawValue>,
}

/// One segment. Times stay values, so that a wrong one costs no words.
#[derive(Deserialize)]
struct Segment {
    #[serde(default)]
    start: Value,
    #[serde(default)]
    end: Value,
    #[serde(default)]
    text: Value,
    /// Stands for the text where the words of the whole are read as segments.
    #[serde(default)]
    word: Value,
    #[serde(default)]
    words: Value,
    #[serde(default)]
    speaker: Value,
}

/// Reads JSON segments.
///
/// # Errors
/// [`TranscriptError::Json`] if it is no JSON, [`TranscriptError::NoSegments`] if it has no segments,
/// [`TranscriptError::NoTimes`] and [`TranscriptError::NoWords`] if none of them has a time, or a word.
pub fn read(text: &str) -> Result<Transcript, TranscriptError> {
    let mut oddities = Oddities::default();
    let mut file = match text.trim_start().chars().next() {
        Some('[') => {
            let segments: Vec<&RawValue> =
                serde_json::from_str(text).map_err(|error| broken(text, &error))?;
            File {
                segments: Some(segments),
                language: Value::Null,
                title: Value::Null,
                duration: Value::Null,
                words: None,
            }
        }
        Some('{') => serde_json::from_str(text).map_err(|error| broken(text, &error))?,
        _ => {
            serde_json::from_str::<&RawValue>(text).map_err(|error| broken(text, &error))?;
            return Err(TranscriptError::NoSegments);
        }
    };
    let whole = file.words.take().filter(|_| file.segments.is_none());
    let segments = match (file.segments, whole) {
        (Some(segments), _) => segments,
        (None, Some(words)) => {
            serde_json::from_str(words.get()).map_err(|_| TranscriptError::NoSegments)?
        }
        (None, None) => return Err(TranscriptError::NoSegments),
    };
    let mut captions = Vec::with_capacity(segments.len());
    let (mut line, mut counted) = (1, 0);
    for raw in segments {
        // The raw value is a part of `text`: how far in tells its line.
        let offset = (raw.get().as_ptr() as usize)
            .saturating_sub(text.as_ptr() as usize)
            .min(text.len());
        line += text.as_bytes()[counted..offset]
            .iter()
            .filter(|b| **b == b'\n')
            .count();
        counted = offset;
        match serde_json::from_str::<Segment>(raw.get()) {
            Ok(segment) => captions.push(caption(captions.len(), line, segment, &mut oddities)),
            Err(_) => {
                oddities.warn(
                    line,
                    "this segment is not an object with start, end and text; it was left out",
                );
                captions.push(Caption::new(captions.len(), line, None, None));
            }
        }
    }
    if captions.is_empty() {
        return Err(TranscriptError::NoSegments);
    }
    let mut transcript = assemble(captions, false, oddities)?;
    transcript.seconds = seconds(&file.duration)
        .unwrap_or(0.0)
        .max(transcript.seconds);
    let named = |value: Value| {
        value
            .as_str()
            .map(str::trim)
            .filter(|name| !name.is_empty())
            .map(str::to_string)
    };
    Ok(Transcript {
        language: named(file.language),
        title: named(file.title),
        ..transcript
    })
}

fn broken(text: &str, error: &serde_json::Error) -> TranscriptError {
    let (line, bytes) = (error.line(), error.column());
    let message = error.to_string();
    // The place stands in fields of its own, and there columns count characters.
    let message = message
        .strip_suffix(&format!(" at line {line} column {bytes}"))
        .unwrap_or(&message)
        .to_string();
    let before = text
        .split('\n')
        .nth(line.saturating_sub(1))
        .unwrap_or_default()
        .as_bytes();
    let column = String::from_utf8_lossy(&before[..bytes.min(before.len())])
        .chars()
        .count();
    TranscriptError::Json {
        line,
        column,
        message,
    }
}

/// A time in seconds: a number, or one in quotes as some programs write it.
fn seconds(value: &Value) -> Option<f64> {
    let seconds = value
        .as_f64()
        .or_else(|| value.as_str()?.trim().parse().ok())?;
    (-1.0..=LONGEST)
        .contains(&seconds)
        .then_some(seconds.max(0.0))
}

fn caption(index: usize, line: usize, segment: Segment, oddities: &mut Oddities) -> Caption {
    let Segment {
        start,
        end,
        text,
        word,
        words,
        speaker,
    } = segment;
    let times = [seconds(&start), seconds(&end)];
    let mut caption = Caption::new(index, line, times[0], times[1]);
    let timed = words
        .as_array()
        .map(|words| timed_tokens(words, line))
        .unwrap_or_default();
    let mut said = Vec::new();
    markup::plain(
        Line {
            number: line,
            text: text.as_str().or(word.as_str()).unwrap_or_default(),
        },
        &mut said,
    );
    caption.tokens = merge(said, timed, line, oddities);
    if times.contains(&None) {
        let first = caption.tokens.iter().find_map(|token| token.start);
        caption.start = caption.start.or(first);
        caption.end = caption
            .end
            .or(caption.tokens.iter().rev().find_map(|token| token.end));
        if caption.start.is_none() || (!end.is_null() && times[1].is_none()) {
            oddities.warn(line, "start or end of this segment is missing or no number of seconds; it was worked out from what is around it");
        }
    }
    if let (Some(first), Some(speaker)) = (caption.tokens.first_mut(), named(&speaker)) {
        first.voice.get_or_insert(speaker);
    }
    caption
}

fn named(speaker: &Value) -> Option<String> {
    match speaker {
        Value::String(name) if !name.is_empty() => Some(name.clone()),
        Value::Number(number) => Some(number.to_string()),
        _ => None,
    }
}

/// The words of a list of words. Where words carry the space before them, one without it goes on the word before.
fn timed_tokens(words: &[Value], line: usize) -> Vec<Token> {
    let text = |word: &Value| {
        let text = word
            .get("word")
            .or_else(|| word.get("text"))
            .unwrap_or(word);
        text.as_str().map(str::to_string)
    };
    let spaced = words
        .iter()
        .skip(1)
        .filter_map(text)
        .any(|text| text.starts_with(markup::separates));
    let mut out: Vec<Token> = Vec::with_capacity(words.len());
    let mut voice = None;
    for word in words {
        let Some(text) = text(word) else { continue };
        let time = |key| word.get(key).and_then(seconds);
        let (start, end) = (time("start"), time("end"));
        let from = out.len();
        markup::plain(
            Line {
                number: line,
                text: &text,
            },
            &mut out,
        );
        if out.len() == from {
            continue;
        }
        if spaced && from > 0 && !text.starts_with(markup::separates) {
            let rest = out.remove(from);
            out[from - 1].text.push_str(&rest.text);
        } else {
            out[from].start = start;
        }
        if let Some(last) = out.last_mut() {
            last.end = end.or(last.end);
        }
        if let Some(name) = word.get("speaker").and_then(named)
            && voice.as_ref() != Some(&name)
        {
            voice = Some(name.clone());
            if let Some(token) = out.get_mut(from) {
                token.voice = Some(name);
            }
        }
    }
    out
}

/// The words of the text, with the times of the list of words where the two agree; the list's own where they don't.
///
/// Recognisers leave words without times out of the list, and punctuation too; so the text is the better witness for what
/// was said, as long as it has all the words of the list in their order.
fn merge(said: Vec<Token>, timed: Vec<Token>, line: usize, oddities: &mut Oddities) -> Vec<Token> {
    if timed.is_empty() {
        return said;
    }
    if said.is_empty()
        || (said.len() == timed.len() && said.iter().zip(&timed).all(|(a, b)| a.text == b.text))
    {
        return timed;
    }
    let bare = |text: &str| -> String {
        text.chars()
            .filter(|c| c.is_alphanumeric())
            .flat_map(char::to_lowercase)
            .collect()
    };
    let mut merged = said;
    let mut at = 0;
    for word in &timed {
        let want = bare(&word.text);
        match merged[at..]
            .iter()
            .position(|token| token.text == word.text || bare(&token.text) == want)
        {
            Some(skipped) => {
                at += skipped;
                let token = &mut merged[at];
                (token.start, token.end, token.voice) = (word.start, word.end, word.voice.clone());
                at += 1;
            }
            None => {
                oddities.count(line, "the words of this segment are others than those of its text; the list of words was read");
                return timed;
            }
        }
    }
    merged
}
