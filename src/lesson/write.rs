//! A transcript as text in one of the formats that [`crate::transcript`] reads, laid out as recognisers lay it out.
//!
//! ```
//! use plyscribe::lesson::{Layout, transcript_text};
//!
//! let lesson = plyscribe::transcript::read(b"[0:00] We open with e4.\n\n[0:03] Black answers.\n", "a.txt")?;
//! let (suffix, text) = transcript_text(&lesson, Layout::Srt);
//! assert_eq!(suffix, "srt");
//! assert!(text.starts_with("1\n00:00:00,000 --> "), "{text}");
//! assert_eq!(plyscribe::transcript::read(text.as_bytes(), "a.srt")?.words.len(), 6);
//! # Ok::<(), plyscribe::transcript::TranscriptError>(())
//! ```

use std::fmt::Write;

use serde::Serialize;
use serde_json::ser::{PrettyFormatter, Serializer};

use crate::transcript::{Transcript, Word};

/// Longest caption, in words.
const CAPTION: usize = 11;
/// Longest line of rolling captions, in words.
const ROLLING_LINE: usize = 8;
/// Longest JSON segment, in words.
const SEGMENT: usize = 24;
/// A sentence end closes a caption of at least so many words.
const SENTENCE: usize = 5;
/// A paragraph of `[m:ss]` text ends at the first sentence end behind so many seconds, or at so many words.
const PARAGRAPH: (f64, usize) = (18.0, 70);

/// How a transcript is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Layout {
    /// WebVTT with a time for each caption.
    WebVtt,
    /// WebVTT with a time for each word; each caption shows the line before it again.
    Rolling,
    /// SRT.
    Srt,
    /// `[m:ss]` paragraphs, in whole seconds.
    Paragraphs,
    /// JSON segments with a time for each word.
    Segments,
}

impl Layout {
    /// The layout that a lesson's `format:` header names.
    pub fn of_name(name: &str) -> Option<Layout> {
        Some(match name {
            "vtt" => Layout::WebVtt,
            "rolling" => Layout::Rolling,
            "srt" => Layout::Srt,
            "txt" => Layout::Paragraphs,
            "json" => Layout::Segments,
            _ => return None,
        })
    }
}

/// Hours, minutes, seconds and milliseconds.
fn stamp(seconds: f64, separator: char) -> String {
    let ms = (seconds * 1000.0).round() as u64;
    let (h, m, s) = (ms / 3_600_000, ms / 60_000 % 60, ms / 1000 % 60);
    format!("{h:02}:{m:02}:{s:02}{separator}{:03}", ms % 1000)
}

fn ends_sentence(word: &Word) -> bool {
    word.text.ends_with(['.', '?', '!'])
}

/// Runs of at most `most` words that end with a sentence where they can.
fn captions(words: &[Word], most: usize) -> Vec<&[Word]> {
    let mut out = Vec::new();
    let mut first = 0;
    for (i, word) in words.iter().enumerate() {
        let n = i + 1 - first;
        if n >= most || n >= SENTENCE && ends_sentence(word) {
            out.push(&words[first..=i]);
            first = i + 1;
        }
    }
    if first < words.len() {
        out.push(&words[first..]);
    }
    out
}

fn paragraphs(words: &[Word]) -> Vec<&[Word]> {
    let mut out = Vec::new();
    let mut first = 0;
    for (i, word) in words.iter().enumerate() {
        let long = word.end - words[first].start > PARAGRAPH.0;
        if long && (ends_sentence(word) || i + 1 - first > PARAGRAPH.1) {
            out.push(&words[first..=i]);
            first = i + 1;
        }
    }
    if first < words.len() {
        out.push(&words[first..]);
    }
    out
}

fn span(words: &[Word]) -> (f64, f64) {
    let start = words.first().map_or(0.0, |w| w.start);
    (start, words.last().map_or(start, |w| w.end))
}

fn joined(words: &[Word], text: impl Fn(&Word) -> String) -> String {
    words.iter().map(text).collect::<Vec<_>>().join(" ")
}

fn plain(word: &Word) -> String {
    word.text.clone()
}

/// W3C WebVTT 4.2.2: `&`, `<` and `>` of the text stand as character references.
fn escaped(word: &Word) -> String {
    let text = word.text.replace('&', "&amp;");
    text.replace('<', "&lt;").replace('>', "&gt;")
}

#[derive(Serialize)]
struct Segments<'a> {
    language: &'a str,
    duration: f64,
    segments: Vec<Segment>,
}

#[derive(Serialize)]
struct Segment {
    id: usize,
    start: f64,
    end: f64,
    text: String,
    words: Vec<SegmentWord>,
}

#[derive(Serialize)]
struct SegmentWord {
    word: String,
    start: f64,
    end: f64,
}

/// The text of a transcript in a layout, and the suffix that its file takes. Words keep their times as far as the
/// layout has room for them.
pub fn transcript_text(transcript: &Transcript, layout: Layout) -> (&'static str, String) {
    let words = &transcript.words[..];
    let language = transcript.language.as_deref().unwrap_or("en");
    let mut out = String::new();
    // Writing to a `String` can't fail.
    match layout {
        Layout::WebVtt => {
            out.push_str("WEBVTT\n");
            for c in captions(words, CAPTION) {
                let (start, end) = span(c);
                let (start, end) = (stamp(start, '.'), stamp(end, '.'));
                let _ = write!(out, "\n{start} --> {end}\n{}\n", joined(c, escaped));
            }
            ("vtt", out)
        }
        Layout::Rolling => {
            let _ = write!(out, "WEBVTT\nKind: captions\nLanguage: {language}\n");
            let place = "align:start position:0%";
            let mut before = " ".to_owned();
            for c in captions(words, ROLLING_LINE) {
                let (start, end) = span(c);
                let still = stamp(end + 0.01, '.');
                let (start, end) = (stamp(start, '.'), stamp(end, '.'));
                let _ = write!(out, "\n{start} --> {end} {place}\n{before}\n");
                for (i, word) in c.iter().enumerate() {
                    let _ = match i {
                        0 => write!(out, "{}", escaped(word)),
                        _ => write!(out, "<{}><c> {}</c>", stamp(word.start, '.'), escaped(word)),
                    };
                }
                before = joined(c, escaped);
                let _ = write!(out, "\n\n{end} --> {still} {place}\n{before}\n \n");
            }
            ("vtt", out)
        }
        Layout::Srt => {
            for (i, c) in captions(words, CAPTION).into_iter().enumerate() {
                let (start, end) = span(c);
                let (start, end) = (stamp(start, ','), stamp(end, ','));
                let gap = if i == 0 { "" } else { "\n" };
                let _ = write!(
                    out,
                    "{gap}{}\n{start} --> {end}\n{}\n",
                    i + 1,
                    joined(c, plain)
                );
            }
            ("srt", out)
        }
        Layout::Paragraphs => {
            for (i, p) in paragraphs(words).into_iter().enumerate() {
                let start = span(p).0 as u64;
                let gap = if i == 0 { "" } else { "\n" };
                let text = joined(p, plain);
                let _ = writeln!(out, "{gap}[{}:{:02}] {text}", start / 60, start % 60);
            }
            ("txt", out)
        }
        Layout::Segments => {
            let segments = captions(words, SEGMENT).into_iter().enumerate();
            let segments = segments.map(|(id, c)| {
                let (start, end) = span(c);
                let words = c.iter().map(|w| SegmentWord {
                    word: format!(" {}", w.text),
                    start: w.start,
                    end: w.end,
                });
                Segment {
                    id,
                    start,
                    end,
                    text: format!(" {}", joined(c, plain)),
                    words: words.collect(),
                }
            });
            let file = Segments {
                language,
                duration: span(words).1,
                segments: segments.collect(),
            };
            let mut bytes = Vec::new();
            let formatter = PrettyFormatter::with_indent(b" ");
            // Strings and finite numbers always serialise; a `Vec` takes all.
            let _ = file.serialize(&mut Serializer::with_formatter(&mut bytes, formatter));
            bytes.push(b'\n');
            ("json", String::from_utf8(bytes).unwrap_or_default())
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::transcript::read;

    fn spoken(n: usize) -> Transcript {
        let words = (0..n).map(|i| Word {
            text: match i % 13 {
                12 => "R&D<3.".to_owned(),
                k => format!("w{k}"),
            },
            start: i as f64 * 0.4,
            end: i as f64 * 0.4 + 0.3,
            caption: 0,
            turn: false,
        });
        Transcript {
            words: words.collect(),
            language: Some("en".into()),
            ..Transcript::default()
        }
    }

    #[test]
    fn every_layout_reads_back_word_for_word() {
        // Each word's time is kept to: nothing but rounding, one caption, one paragraph of speech.
        for (layout, tolerance) in [
            (Layout::Segments, 0.011),
            (Layout::Rolling, 0.011),
            (Layout::WebVtt, 4.4),
            (Layout::Srt, 4.4),
            (Layout::Paragraphs, 28.0),
        ] {
            let said = spoken(500);
            let (suffix, text) = transcript_text(&said, layout);
            let heard = read(text.as_bytes(), &format!("a.{suffix}")).unwrap();
            let words = |t: &Transcript| {
                let texts = t.words.iter().map(plain);
                texts.collect::<Vec<_>>()
            };
            // SRT and plain text have no way to write `<` that is surely none of a tag.
            if matches!(layout, Layout::Srt | Layout::Paragraphs) {
                assert_eq!(heard.words.len(), said.words.len(), "{layout:?}");
            } else {
                assert_eq!(words(&heard), words(&said), "{layout:?}");
            }
            assert!(
                heard.warnings.is_empty(),
                "{layout:?}: {:?}",
                heard.warnings
            );
            for (a, b) in said.words.iter().zip(&heard.words) {
                assert!(
                    (a.start - b.start).abs() <= tolerance,
                    "{layout:?}: {a:?} {b:?}"
                );
            }
        }
    }

    #[test]
    fn captions_end_with_sentences_or_when_they_are_full() {
        let lengths: Vec<usize> = captions(&spoken(30).words, 11)
            .iter()
            .map(|c| c.len())
            .collect();
        // Words 13 and 26 end sentences; after word 11 only two stand before it.
        assert_eq!(lengths, [11, 11, 8]);
        assert_eq!(stamp(3723.4567, ','), "01:02:03,457");
    }
}
