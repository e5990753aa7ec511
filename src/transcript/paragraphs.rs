//! The reader for text with times: paragraphs or lines that begin with `[m:ss]`, `[h:mm:ss]`, `(m:ss)` or a bare
//! `m:ss`.
//!
//! Such files have no standard; this is common practice, with no source. A paragraph lasts until the next begins; the
//! last one as long as its words take at the pace of the others. Text without a time belongs to the paragraph above it.
//!
//! ```
//! use plyscribe::transcript::paragraphs;
//!
//! let lesson = paragraphs::read("Title: The Caro-Kann\n\n[0:02] e4, c6.\n[0:05] d4, d5.\n")?;
//! assert_eq!(lesson.title.as_deref(), Some("The Caro-Kann"));
//! assert_eq!(lesson.words[2].text, "d4,");
//! assert_eq!(lesson.words[2].start, 5.0);
//! # Ok::<(), plyscribe::transcript::TranscriptError>(())
//! ```

use super::caption::{Caption, Oddities, ends_sentence};
use super::clock::{Line, clock, lines};
use super::{Transcript, TranscriptError, assemble, markup};

/// A time at the beginning of a line, and the text behind it.
struct Stamp<'a> {
    start: f64,
    end: Option<f64>,
    rest: &'a str,
}

/// Reads the time at the beginning of a line: in brackets, or bare before white space or a dash; a range (`[0:00 -
/// 0:12]`) gives the end too.
fn stamp(text: &str) -> Option<Stamp<'_>> {
    let text = text.trim_start_matches(markup::separates);
    let close = match text.chars().next()? {
        '[' => Some(']'),
        '(' => Some(')'),
        _ => None,
    };
    let (start, rest) = clock(if close.is_some() {
        text[1..].trim_start()
    } else {
        text
    })?;
    let (end, rest) = match range_end(rest) {
        Some((end, rest)) => (Some(end).filter(|end| *end >= start), rest),
        None => (None, rest),
    };
    let rest = match close {
        Some(close) => rest.trim_start().strip_prefix(close)?,
        None if rest.is_empty() || rest.starts_with(|c: char| markup::separates(c) || c == ':') => {
            rest
        }
        None => return None,
    };
    // What parts the time from the text: a colon or a dash of its own.
    let rest = rest
        .strip_prefix(':')
        .unwrap_or(rest)
        .trim_start_matches(markup::separates);
    let dash = rest
        .strip_prefix(['-', '–', '—'])
        .filter(|after| after.starts_with(markup::separates));
    Some(Stamp {
        start,
        end,
        rest: dash.unwrap_or(rest),
    })
}

/// The second time of a range, behind a dash or an arrow.
fn range_end(rest: &str) -> Option<(f64, &str)> {
    let behind = rest.trim_start();
    let arrow = behind.trim_start_matches(['-', '–', '—', '>']);
    (arrow.len() < behind.len())
        .then(|| clock(arrow.trim_start()))
        .flatten()
}

/// Whether a line begins with a time.
pub(super) fn begins(line: &str) -> bool {
    stamp(line).is_some()
}

/// Reads text with times.
///
/// # Errors
/// [`TranscriptError::NoTimes`] if no line begins with a time, [`TranscriptError::NoWords`] if there are only times.
pub fn read(text: &str) -> Result<Transcript, TranscriptError> {
    let mut oddities = Oddities::default();
    let mut captions: Vec<Caption> = Vec::new();
    let mut head: Vec<Line<'_>> = Vec::new();
    for line in lines(text) {
        if let Some(stamp) = stamp(line.text) {
            let mut caption =
                Caption::new(captions.len(), line.number, Some(stamp.start), stamp.end);
            tokens(
                Line {
                    text: stamp.rest,
                    ..line
                },
                &mut caption,
            );
            captions.push(caption);
        } else if let Some(caption) = captions.last_mut() {
            tokens(line, caption);
        } else if !line.text.trim().is_empty() {
            head.push(line);
        }
    }
    let Some(first) = captions.first().and_then(|caption| caption.start) else {
        return Err(TranscriptError::NoTimes);
    };
    let (title, language) = read_head(head, first, &mut captions, &mut oddities);
    Ok(Transcript {
        title,
        language,
        ..assemble(captions, false, oddities)?
    })
}

/// Splits a line of a paragraph; a time in brackets within it is the next word's.
fn tokens(line: Line<'_>, caption: &mut Caption) {
    let from = caption.tokens.len();
    markup::plain(line, &mut caption.tokens);
    let mut time = None;
    for token in &mut caption.tokens[from..] {
        if token.text.starts_with('[')
            && let Some(stamp) = stamp(&token.text)
            && stamp.rest.is_empty()
        {
            time = Some(stamp.start);
            token.text.clear();
        } else {
            token.start = time.take();
        }
    }
    caption.tokens.retain(|token| !token.text.is_empty());
}

/// What stands above the first time: `Title: ...` and `Language: ...`; a lone first line that is no sentence is the title
/// too. Other text was said before the first time, if that leaves it any.
fn read_head(
    head: Vec<Line<'_>>,
    first: f64,
    captions: &mut Vec<Caption>,
    oddities: &mut Oddities,
) -> (Option<String>, Option<String>) {
    let (mut title, mut language) = (None, None);
    let mut rest = Vec::new();
    for line in head {
        let text = line.text.trim().trim_start_matches('#').trim_start();
        let field = text
            .split_once(':')
            .map(|(key, value)| (key.trim().to_ascii_lowercase(), value.trim()));
        match field {
            Some((key, value)) if key == "title" && title.is_none() => {
                title = Some(value.to_string())
            }
            Some((key, value)) if key == "language" && language.is_none() => {
                language = Some(value.to_string())
            }
            _ => rest.push(line),
        }
    }
    if let [line, ..] = rest[..]
        && title.is_none()
        && !ends_sentence(line.text.trim_end())
        && line.text.split_whitespace().count() <= 12
    {
        title = Some(
            line.text
                .trim()
                .trim_start_matches('#')
                .trim_start()
                .to_string(),
        );
        rest.remove(0);
    }
    if let Some(line) = rest.first().copied() {
        if first >= 1.0 {
            oddities.warn(line.number, "text before the first time has none of its own; it was placed between the start and that time");
            let mut caption = Caption::new(0, line.number, Some(0.0), Some(first));
            rest.into_iter().for_each(|line| tokens(line, &mut caption));
            captions.iter_mut().for_each(|caption| caption.index += 1);
            captions.insert(0, caption);
        } else {
            oddities.warn(
                line.number,
                "text before the first time was left out: that time is the start of the recording",
            );
        }
    }
    let some = |text: Option<String>| text.filter(|text| !text.is_empty());
    (some(title), some(language))
}
