//! Clock times as transcripts write them, and lines that may end in CR, LF or both.

/// The longest time that is taken for one: a hundred hours. Anything above is a slip of a program or of a pen.
pub(super) const LONGEST: f64 = 360_000.0;

/// One line of the file: its number from 1, and its text without the line's end.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Line<'a> {
    pub(super) number: usize,
    pub(super) text: &'a str,
}

/// Splits at CR LF, LF and lone CR, the three line terminators of W3C WebVTT, section 4.1 ("WebVTT line terminator";
/// the number is from memory). A terminator at the very end opens no line of its own.
pub(super) fn lines(text: &str) -> Vec<Line<'_>> {
    if !text.contains('\r') {
        let parts = text.strip_suffix('\n').unwrap_or(text).split('\n');
        let numbered = parts.enumerate().map(|(at, text)| Line {
            number: at + 1,
            text,
        });
        return if text.is_empty() {
            Vec::new()
        } else {
            numbered.collect()
        };
    }
    let bytes = text.as_bytes();
    let mut out = Vec::with_capacity(bytes.len() / 24 + 1);
    let (mut start, mut at) = (0, 0);
    while at < bytes.len() {
        let ends = match bytes[at] {
            b'\r' if bytes.get(at + 1) == Some(&b'\n') => 2,
            b'\r' | b'\n' => 1,
            _ => 0,
        };
        if ends > 0 {
            out.push(Line {
                number: out.len() + 1,
                text: &text[start..at],
            });
            start = at + ends;
            at = start;
        } else {
            at += 1;
        }
    }
    if start < bytes.len() {
        out.push(Line {
            number: out.len() + 1,
            text: &text[start..],
        });
    }
    out
}

/// Reads a time at the beginning of `text`: `m:ss` or `h:mm:ss`, then perhaps a fraction after a dot or a comma.
/// Gives the seconds and the text behind it.
///
/// Wider than W3C WebVTT, section 4.1 ("WebVTT timestamp": two digits each, three of fraction; the number is from
/// memory), since SRT and hand-made files are: one digit may stand for two, the fraction may be missing or have any
/// length, and minutes may pass 59 where there are no hours.
pub(super) fn clock(text: &str) -> Option<(f64, &str)> {
    let bytes = text.as_bytes();
    let mut at = 0;
    let mut parts = [0u32; 3];
    let mut count = 0;
    loop {
        let from = at;
        let mut value = 0u32;
        while let Some(digit) = bytes.get(at).filter(|b| b.is_ascii_digit()) {
            value = value * 10 + u32::from(digit - b'0');
            at += 1;
            if at - from > 4 {
                return None;
            }
        }
        // The parts after the first have one or two digits.
        if at == from || (count > 0 && at - from > 2) {
            return None;
        }
        parts[count] = value;
        count += 1;
        let more =
            bytes.get(at) == Some(&b':') && bytes.get(at + 1).is_some_and(u8::is_ascii_digit);
        if count == 3 || !more {
            break;
        }
        at += 1;
    }
    let (hours, minutes, seconds) = match count {
        2 => (0, parts[0], parts[1]),
        3 => (parts[0], parts[1], parts[2]),
        _ => return None,
    };
    if seconds > 59 || (count == 3 && minutes > 59) {
        return None;
    }
    let mut total = f64::from(hours) * 3600.0 + f64::from(minutes) * 60.0 + f64::from(seconds);
    if matches!(bytes.get(at), Some(b'.' | b','))
        && bytes.get(at + 1).is_some_and(u8::is_ascii_digit)
    {
        at += 1;
        let (mut value, mut scale) = (0.0, 1.0);
        while let Some(digit) = bytes.get(at).filter(|b| b.is_ascii_digit()) {
            if scale < 1e9 {
                value = value * 10.0 + f64::from(digit - b'0');
                scale *= 10.0;
            }
            at += 1;
        }
        total += value / scale;
    }
    // A further digit or colon shows that this was no time at all (`1:02:03:04`).
    let behind = bytes.get(at);
    let broken = behind == Some(&b':') && bytes.get(at + 1).is_some_and(u8::is_ascii_digit);
    (!broken && total <= LONGEST).then(|| (total, &text[at..]))
}

/// The times of a cue, each `None` where it can't be read.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Timing {
    pub(super) start: Option<f64>,
    pub(super) end: Option<f64>,
    /// Whether the line is written as the formats ask (`-->` between two times).
    pub(super) sound: bool,
}

/// Reads a line as the timing line of a cue; `None` if it isn't meant as one.
///
/// W3C WebVTT, section 6.3 ("collect WebVTT cue timings and settings"; the number is from memory): whatever contains
/// `-->` is one. Here one side at least must look like a time, so that an arrow in the text of an SRT file stays text;
/// and a shortened or tidied arrow (`->`, `–>`, `—>`) between two sound times is taken as one, with a warning.
pub(super) fn timing(line: &str) -> Option<Timing> {
    let head = line.find('>')?;
    let (before, after) = (&line[..head], &line[head + 1..]);
    let left = before.trim_end_matches(['-', '–', '—', ' ']);
    if left.len() == before.len() || before.ends_with(' ') {
        return None;
    }
    // A number that shares the line with its times, as some files have it, stands before the last space.
    let left = left
        .trim()
        .rsplit(char::is_whitespace)
        .next()
        .unwrap_or_default();
    let right = after.trim_start();
    let right_word = right.split(char::is_whitespace).next().unwrap_or_default();
    let whole = |word: &str| {
        clock(word)
            .filter(|(_, rest)| rest.is_empty())
            .map(|(seconds, _)| seconds)
    };
    let (start, end) = (whole(left), whole(right_word));
    let full = before.ends_with("--");
    let like = |word: &str| word.contains(':') && word.bytes().any(|b| b.is_ascii_digit());
    let meant = if full {
        like(left) || like(right_word)
    } else {
        start.is_some() && end.is_some()
    };
    meant.then_some(Timing {
        start,
        end,
        sound: full && start.is_some() && end.is_some(),
    })
}

/// Writes seconds as `h:mm:ss.mmm`, for messages.
pub(super) fn shown(seconds: f64) -> String {
    let ms = (seconds * 1000.0).round() as u64;
    format!(
        "{}:{:02}:{:02}.{:03}",
        ms / 3_600_000,
        ms / 60_000 % 60,
        ms / 1000 % 60,
        ms % 1000
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_read_in_every_way_they_are_written() {
        for (text, seconds) in [
            ("00:00:01.500", 1.5),
            ("01:02:03,250", 3723.25),
            ("12:34.5", 754.5),
            ("0:07", 7.0),
            ("75:10", 4510.0),
            ("125:00:00", 0.0), // past a hundred hours: none
            ("1:2:3", 3723.0),
        ] {
            let read = clock(text).map_or(0.0, |(seconds, _)| seconds);
            assert!((read - seconds).abs() < 1e-9, "{text}: {read}");
        }
        for text in [
            "",
            "12",
            "1:75",
            "1:60:00",
            "1:02:03:04",
            ":30",
            "a",
            "12345:00",
            "1:",
            "1:234",
        ] {
            assert_eq!(clock(text), None, "{text}");
        }
        assert_eq!(clock("1:30 and on"), Some((90.0, " and on")));
    }

    #[test]
    fn lines_end_in_crlf_lf_or_cr() {
        let texts: Vec<_> = lines("a\r\nb\rc\n\nd")
            .iter()
            .map(|l| (l.number, l.text))
            .collect();
        assert_eq!(texts, [(1, "a"), (2, "b"), (3, "c"), (4, ""), (5, "d")]);
        for text in ["a\n", "a\r", "a\r\n", "\n", "\r"] {
            assert_eq!(lines(text).len(), 1, "{text:?}");
        }
        assert!(lines("").is_empty());
    }

    #[test]
    fn timing_lines_are_told_from_text() {
        let sound = Timing {
            start: Some(1.0),
            end: Some(2.0),
            sound: true,
        };
        assert_eq!(timing("00:01.000 --> 00:02.000 align:start"), Some(sound));
        assert_eq!(timing("7 00:00:01,000-->00:00:02,000"), Some(sound));
        assert_eq!(
            timing("0:01 -> 0:02"),
            Some(Timing {
                sound: false,
                ..sound
            })
        );
        assert_eq!(
            timing("00:0x.000 --> 00:02.000"),
            Some(Timing {
                start: None,
                end: Some(2.0),
                sound: false
            })
        );
        for text in [
            "e4 --> e5 wins",
            "e4 -> e5",
            "no arrow 1:00",
            "> 1:00",
            "",
            ">",
            "--> ",
        ] {
            assert_eq!(timing(text), None, "{text}");
        }
    }
}
