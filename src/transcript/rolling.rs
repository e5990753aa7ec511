//! Captions that roll: each shows again what the one before it showed, and adds to it. Every word is kept once, where
//! it came first.
//!
//! What repeats is found by words, not by lines, so it does not matter how a converter broke the lines. Whether a
//! repeat is the captions' doing or the speaker's ("takes." "takes.") is decided over the whole file: only where half
//! of the captions or more repeat the one before *and add to it* (or last no longer than a blink) does the file roll.

use super::caption::{Caption, Oddities, Token};

/// Longest caption that only holds the picture between two others, in seconds. Ten milliseconds are usual.
const BLINK: f64 = 0.05;
/// Fewest words that count as repeated if they don't begin with a line of the caption before.
const FEWEST: usize = 3;

/// Drops repeated words from captions that stand in time order; tells whether the file rolls.
pub(super) fn unroll(captions: &mut [Caption], oddities: &mut Oddities) -> bool {
    let shown: Vec<usize> = (0..captions.len())
        .filter(|at| !captions[*at].tokens.is_empty())
        .collect();
    let mut repeats = Vec::with_capacity(shown.len());
    let mut rolling = 0;
    for pair in shown.windows(2) {
        let (before, now) = (&captions[pair[0]], &captions[pair[1]]);
        let repeat = overlap(&before.tokens, &now.tokens);
        let adds = repeat < now.tokens.len();
        let blinks = now
            .end
            .zip(now.start)
            .is_some_and(|(end, start)| end - start <= BLINK);
        let same = !adds
            && before.tokens.len() == now.tokens.len()
            && before.start == now.start
            && before.end == now.end;
        // The repeated lines have no times of their own and the rest has: nothing else looks so.
        let typed = repeat > 0
            && now.tokens[..repeat]
                .iter()
                .all(|token| token.start.is_none())
            && now.tokens[repeat..]
                .iter()
                .any(|token| token.start.is_some());
        rolling += usize::from(repeat > 0 && (adds || blinks) && !same);
        repeats.push((pair[1], repeat, same, typed || (blinks && !adds)));
    }
    let rolls = rolling >= 2 && rolling * 2 >= repeats.len();
    for (at, repeat, same, sure) in repeats {
        if same && !rolls {
            oddities.count(
                captions[at].line,
                "this caption repeats the one before it with the same times; it was left out",
            );
        }
        if rolls || sure || same {
            captions[at].tokens.drain(..repeat);
        }
    }
    rolls
}

/// How many words at the beginning of `now` repeat the end of `before`. Words with times of their own, and those of
/// their line, are new by that.
fn overlap(before: &[Token], now: &[Token]) -> usize {
    let most = match now.iter().position(|token| token.start.is_some()) {
        Some(timed) => now
            .iter()
            .position(|token| token.line == now[timed].line)
            .unwrap_or(0),
        None => now.len(),
    };
    let now = &now[..most];
    if now.is_empty() {
        return 0;
    }
    // The prefix function of Knuth, Morris and Pratt over `now`, then run along `before`: linear, whatever repeats.
    let mut border = vec![0; now.len()];
    let mut matched = 0;
    for at in 1..now.len() {
        while matched > 0 && now[at].text != now[matched].text {
            matched = border[matched - 1];
        }
        matched += usize::from(now[at].text == now[matched].text);
        border[at] = matched;
    }
    matched = 0;
    for token in before {
        while matched > 0 && (matched == now.len() || token.text != now[matched].text) {
            matched = border[matched - 1];
        }
        matched += usize::from(token.text == now[matched].text);
    }
    // From the longest repeat to the shortest, the first that fits a line of the caption before; else the longest, if
    // it is long enough.
    let longest = matched;
    while matched > 0 {
        let from = before.len() - matched;
        if from == 0 || before[from - 1].line != before[from].line {
            return matched;
        }
        matched = border[matched - 1];
    }
    if longest >= FEWEST { longest } else { 0 }
}

#[cfg(test)]
mod tests {
    use super::super::clock::lines;
    use super::super::markup::cue_text;
    use super::*;

    fn unrolled(cues: &[(f64, f64, &str)]) -> Vec<String> {
        let mut captions: Vec<Caption> = (cues.iter().enumerate())
            .map(|(index, (start, end, text))| {
                let mut caption = Caption::new(index, index + 1, Some(*start), Some(*end));
                lines(text)
                    .into_iter()
                    .for_each(|line| cue_text(line, &mut caption.tokens));
                caption
            })
            .collect();
        unroll(&mut captions, &mut Oddities::default());
        captions
            .iter()
            .map(|c| {
                c.tokens
                    .iter()
                    .map(|t| t.text.as_str())
                    .collect::<Vec<_>>()
                    .join(" ")
            })
            .collect()
    }

    #[test]
    fn a_line_that_stays_above_the_next_is_read_once() {
        let cues = [
            (0.0, 2.0, "a b\n"),
            (2.0, 4.0, "a b\nc d"),
            (4.0, 6.0, "c d\ne f"),
            (6.0, 8.0, "e f\ng"),
        ];
        assert_eq!(unrolled(&cues), ["a b", "c d", "e f", "g"]);
    }

    #[test]
    fn captions_that_grow_are_read_once() {
        let cues = [
            (0.0, 1.0, "a"),
            (1.0, 2.0, "a b"),
            (2.0, 3.0, "a b c"),
            (3.0, 4.0, "a b c d\ne"),
            (4.0, 5.0, "e f"),
        ];
        assert_eq!(unrolled(&cues), ["a", "b", "c", "d e", "f"]);
    }

    #[test]
    fn words_said_again_with_their_own_times_stay() {
        let cues = [
            (0.0, 1.0, "so<00:00:00.500> takes"),
            (1.0, 1.01, "so takes"),
            (1.0, 2.0, "so takes\nso<00:00:01.500> takes"),
            (2.0, 2.01, "so takes"),
            (2.0, 3.0, "so takes\nso<00:00:02.500> takes"),
        ];
        assert_eq!(
            unrolled(&cues),
            ["so takes", "", "so takes", "", "so takes"]
        );
    }

    #[test]
    fn what_the_speaker_repeats_is_kept_where_captions_do_not_roll() {
        let cues = [
            (0.0, 1.0, "takes."),
            (1.0, 2.0, "takes."),
            (2.0, 3.0, "takes."),
            (3.0, 4.0, "rook d1"),
            (4.0, 5.0, "rook d1 okay"),
        ];
        assert_eq!(
            unrolled(&cues),
            ["takes.", "takes.", "takes.", "rook d1", "rook d1 okay"]
        );
    }

    #[test]
    fn a_caption_doubled_with_its_times_is_read_once() {
        assert_eq!(
            unrolled(&[(0.0, 1.0, "takes."), (0.0, 1.0, "takes."), (1.0, 2.0, "d4")]),
            ["takes.", "", "d4"]
        );
    }
}
