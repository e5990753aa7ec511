//! Bytes to text: UTF-8 with or without a byte order mark, UTF-16 with one. Anything else is named, not guessed.

use std::borrow::Cow;

use super::{TranscriptError, Warning};

/// Decodes the bytes of a file.
///
/// # Errors
/// [`TranscriptError::Encoding`] with the place of the first byte that is no UTF-8, [`TranscriptError::NotText`] for
/// binary files and for UTF-16 without its mark.
pub(super) fn decode<'a>(
    bytes: &'a [u8],
    warnings: &mut Vec<Warning>,
) -> Result<Cow<'a, str>, TranscriptError> {
    let text = match bytes {
        [0xFF, 0xFE, rest @ ..] => Cow::Owned(utf16(rest, u16::from_le_bytes, warnings)),
        [0xFE, 0xFF, rest @ ..] => Cow::Owned(utf16(rest, u16::from_be_bytes, warnings)),
        _ => {
            let body = bytes.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(bytes);
            if binary(body) {
                return Err(TranscriptError::NotText);
            }
            match std::str::from_utf8(body) {
                Ok(text) => Cow::Borrowed(text),
                Err(error) => {
                    let (line, column) = place(&body[..error.valid_up_to()]);
                    return Err(TranscriptError::Encoding {
                        line,
                        column,
                        byte: body[error.valid_up_to()],
                    });
                }
            }
        }
    };
    if binary(text.as_bytes()) {
        return Err(TranscriptError::NotText);
    }
    Ok(text)
}

/// Line and column, both from 1, of the place right behind `before`; the column counts characters.
fn place(before: &[u8]) -> (usize, usize) {
    let text = String::from_utf8_lossy(before);
    let all = super::clock::lines(&text);
    match all.last() {
        Some(last) if !text.ends_with(['\n', '\r']) => (last.number, last.text.chars().count() + 1),
        _ => (all.len() + 1, 1),
    }
}

/// Whether these bytes are no text: of the first few thousand, one in fifty or more is a control character that no
/// text has. (Single stray ones are read around.)
fn binary(bytes: &[u8]) -> bool {
    let head = &bytes[..bytes.len().min(4096)];
    let odd = head
        .iter()
        .filter(|b| matches!(b, 0..=8 | 14..=26 | 28..=31))
        .count();
    odd > 0 && odd * 50 >= head.len()
}

fn utf16(bytes: &[u8], unit: fn([u8; 2]) -> u16, warnings: &mut Vec<Warning>) -> String {
    let pairs = bytes.chunks_exact(2);
    let mut broken = (!pairs.remainder().is_empty()).then_some(usize::MAX);
    let mut text = String::with_capacity(bytes.len() / 2);
    for decoded in char::decode_utf16(pairs.map(|pair| unit([pair[0], pair[1]]))) {
        text.push(decoded.unwrap_or_else(|_| {
            broken = broken.filter(|at| *at < usize::MAX).or(Some(text.len()));
            char::REPLACEMENT_CHARACTER
        }));
    }
    if let Some(at) = broken {
        let line = place(&text.as_bytes()[..at.min(text.len())]).0;
        warnings.push(Warning {
            line,
            message: "a character of the UTF-16 text is broken; it was read as \u{FFFD}".into(),
        });
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    fn text(bytes: &[u8]) -> Result<String, TranscriptError> {
        decode(bytes, &mut Vec::new()).map(Cow::into_owned)
    }

    #[test]
    fn marks_are_taken_off_and_obeyed() {
        assert_eq!(text(b"\xEF\xBB\xBFe4").unwrap(), "e4");
        assert_eq!(text(b"\xFF\xFEe\x004\x00").unwrap(), "e4");
        assert_eq!(text(b"\xFE\xFF\x00e\x004").unwrap(), "e4");
    }

    #[test]
    fn the_first_bad_byte_has_its_line_and_column() {
        let bad = text(
            "é\r\nabé"
                .as_bytes()
                .iter()
                .copied()
                .chain([0x92])
                .collect::<Vec<_>>()
                .as_slice(),
        );
        assert_eq!(
            bad,
            Err(TranscriptError::Encoding {
                line: 2,
                column: 4,
                byte: 0x92
            })
        );
        assert_eq!(
            text(b"a\n\x92"),
            Err(TranscriptError::Encoding {
                line: 2,
                column: 1,
                byte: 0x92
            })
        );
    }

    #[test]
    fn binary_files_and_unmarked_utf16_are_no_text() {
        assert_eq!(
            text(b"PK\x03\x04\x14\x00\x06\x00"),
            Err(TranscriptError::NotText)
        );
        assert_eq!(text(b"W\x00E\x00B\x00"), Err(TranscriptError::NotText));
    }

    #[test]
    fn a_half_character_at_the_end_of_utf16_is_warned_of() {
        let mut warnings = Vec::new();
        decode(b"\xFF\xFEe\x00\n\x004\x00x", &mut warnings).unwrap();
        assert_eq!(warnings[0].line, 2);
    }
}
