//! Times for words: those that the file gives, and for the rest a share of their caption by length.
//!
//! The weight of a word is 0.45 + 0.11 for each letter or digit of it; a sentence's end adds a pause, a comma a smaller
//! one. The figures are rules of thumb with no source; the shares are all that they decide.

use super::Word;
use super::caption::{Caption, Oddities, Token, ends_sentence};
use super::clock::shown;

/// Seconds for a weight of one at a usual pace: about 150 words a minute with their pauses.
const USUAL: f64 = 0.4;
/// The same at the slowest: a caption that leaves its words more time than this ends in silence.
const SLOWEST: f64 = 1.0;
/// The same at the fastest: a caption with less time than this for its words lends some of the time behind it.
const FASTEST: f64 = 0.12;
/// How far outside its caption a word's own time may lie, in seconds.
const SLACK: f64 = 1.0;
/// Fewest captions from which the pace of a file is measured.
const FEWEST: usize = 5;

fn weight(word: &str) -> f64 {
    let letters = if word.is_ascii() {
        word.bytes().filter(u8::is_ascii_alphanumeric).count()
    } else {
        word.chars().filter(|c| c.is_alphanumeric()).count()
    };
    0.45 + 0.11 * letters as f64
}

fn pause(word: &str) -> f64 {
    if ends_sentence(word) {
        1.2
    } else if word.ends_with([',', ';', ':', '–', '—']) {
        0.4
    } else {
        0.0
    }
}

/// What a word asks of the time of its caption.
#[derive(Clone, Copy)]
struct Load {
    weight: f64,
    pause: f64,
}

/// The loads of a caption's words.
fn loads(caption: &Caption) -> Vec<Load> {
    caption
        .tokens
        .iter()
        .map(|token| Load {
            weight: weight(&token.text),
            pause: pause(&token.text),
        })
        .collect()
}

fn total(loads: &[Load]) -> f64 {
    loads.iter().map(|load| load.weight + load.pause).sum()
}

/// Pace of a file in seconds for a weight of one: the median over its captions, and where silence begins.
struct Pace {
    usual: f64,
    slowest: f64,
}

impl Pace {
    fn measure(spoken: &[(&Caption, Vec<Load>)]) -> Self {
        let mut paces: Vec<f64> = (spoken.iter().enumerate())
            .filter(|(_, (_, loads))| loads.len() > 2)
            .filter_map(|(at, (caption, loads))| {
                let next = spoken.get(at + 1).and_then(|(next, _)| next.start);
                Some((caption.end.or(next)? - caption.start?) / total(loads))
            })
            .filter(|pace| (FASTEST..=SLOWEST).contains(pace))
            .collect();
        if paces.len() < FEWEST {
            return Self {
                usual: USUAL,
                slowest: SLOWEST,
            };
        }
        paces.sort_by(f64::total_cmp);
        let usual = paces[paces.len() / 2];
        Self {
            usual,
            slowest: (usual * 1.5).clamp(USUAL, SLOWEST),
        }
    }
}

/// Gives each word of the captions, which stand in time order, its time. Gives the words, none of which begins before
/// the one before it or ends after the next begins, and the second at which the last caption ends.
pub(super) fn place(
    captions: &[Caption],
    rolls: bool,
    oddities: &mut Oddities,
) -> (Vec<Word>, f64) {
    let mut words: Vec<Word> =
        Vec::with_capacity(captions.iter().map(|caption| caption.tokens.len()).sum());
    let spoken: Vec<(&Caption, Vec<Load>)> = captions
        .iter()
        .filter(|caption| !caption.tokens.is_empty())
        .map(|caption| (caption, loads(caption)))
        .collect();
    let pace = Pace::measure(&spoken);
    let seconds = captions
        .iter()
        .filter_map(|c| c.end.or(c.start))
        .fold(0.0, f64::max);
    let mut begin = 0.0f64;
    for (at, (caption, loads)) in spoken.iter().enumerate() {
        let start = caption.start.unwrap_or(begin).max(begin);
        let load = total(loads);
        let next = spoken
            .get(at + 1)
            .map(|(next, loads)| (next.start.unwrap_or(start).max(start), *next, loads));
        let end = caption.end.filter(|end| *end > start);
        let limit = match next {
            Some((from, ..))
                if from - start >= load * FASTEST || end.is_some_and(|end| end <= from) =>
            {
                from
            }
            // The next begins too soon to leave room: both share the time that they have together.
            Some((from, next, next_loads)) => {
                let next_load = total(next_loads);
                let third = spoken.get(at + 2).and_then(|(third, _)| third.start);
                let together = from + (load + next_load) * pace.usual;
                let next_end =
                    (next.end).unwrap_or(third.map_or(together, |third| third.min(together)));
                start
                    + (next_end.max(end.unwrap_or(start)) - start).max(0.0) * load
                        / (load + next_load)
            }
            None => f64::INFINITY,
        };
        if !rolls
            && let Some((from, next, _)) = next
            && end.is_some_and(|end| end > from + 0.05)
        {
            oddities.count(
                next.line,
                "this caption begins before the one before it ends; the earlier one was cut there",
            );
        }
        // Where the words end: with the caption; with the next one's start; or at the usual pace.
        let natural = start + load * pace.usual;
        let to = match end {
            Some(end) if end - start >= load * FASTEST => end.min(limit),
            Some(end) => natural.max(end).min(limit),
            None if limit.is_finite() => limit,
            None => natural,
        };
        fill(
            (caption, loads),
            (start, to, limit),
            end,
            &pace,
            oddities,
            &mut words,
        );
        begin = if next.is_some_and(|(from, ..)| from < limit) {
            limit
        } else {
            0.0
        };
    }
    for at in (0..words.len()).rev() {
        let next = words.get(at + 1).map_or(f64::INFINITY, |next| next.start);
        let word = &mut words[at];
        word.end = word.end.min(next).max(word.start);
    }
    let last = words.last().map_or(0.0, |word| word.end);
    (words, seconds.max(last))
}

/// Places the words of one caption between `start` and `to`, none beginning behind `limit`.
fn fill(
    (caption, loads): (&Caption, &[Load]),
    (start, to, limit): (f64, f64, f64),
    end: Option<f64>,
    pace: &Pace,
    oddities: &mut Oddities,
    words: &mut Vec<Word>,
) {
    let tokens = &caption.tokens;
    let floor = words.last().map_or(0.0, |word| word.start);
    let from = caption.start.unwrap_or(start) - SLACK;
    let until = end.map_or(f64::INFINITY, |end| end + SLACK);
    // The times that can be right: within the caption, none before another.
    let mut given: Vec<Option<f64>> = Vec::with_capacity(tokens.len());
    let mut latest = f64::NEG_INFINITY;
    for token in tokens {
        let sound = token
            .start
            .filter(|time| *time >= from && *time <= until && *time >= latest);
        if let (Some(time), None) = (token.start, sound) {
            let why = if time < latest {
                "runs backwards"
            } else {
                "lies outside its caption"
            };
            oddities.warn(
                token.line,
                format!(
                    "the time {} of {:?} {why}; it was worked out from the words around it",
                    shown(time),
                    token.text
                ),
            );
        }
        latest = sound.unwrap_or(latest);
        given.push(sound.map(|time| time.min(limit).max(floor)));
    }
    let mut at = 0;
    let mut cursor = start.max(floor);
    while at < tokens.len() {
        let begin = given[at].unwrap_or(cursor);
        let own_end = tokens[at]
            .end
            .filter(|end| given[at].is_some() && *end >= begin && *end <= until);
        let run = match own_end {
            Some(_) => 1,
            None => {
                1 + given[at + 1..]
                    .iter()
                    .take_while(|time| time.is_none())
                    .count()
            }
        };
        let next = given.get(at + run).copied().flatten();
        let span = &tokens[at..at + run];
        let word = |token: &Token, start: f64, end: f64| Word {
            text: token.text.clone(),
            start,
            end: end.max(start),
            caption: caption.index,
            turn: token.turn,
        };
        if let Some(own_end) = own_end {
            words.push(word(&span[0], begin, own_end));
            cursor = own_end.min(next.unwrap_or(own_end)).max(begin);
        } else {
            // At a caption's own end the voice has just stopped; before another word there may be a pause.
            let loads = &loads[at..at + run];
            let at_end = next.is_none() && end.is_some();
            let last_pause = if at_end { loads[run - 1].pause } else { 0.0 };
            let share = total(loads) - last_pause;
            let room = next.unwrap_or(to).max(begin) - begin;
            let mut unit = (room / share).min(pace.slowest);
            if next.is_none() && unit < FASTEST {
                unit = (pace.usual).min((limit - begin).max(0.0) / share).max(unit);
            }
            let mut time = begin;
            for (token, load) in span.iter().zip(loads) {
                words.push(word(token, time, time + load.weight * unit));
                time += (load.weight + load.pause) * unit;
            }
            cursor = time.min(next.unwrap_or(time));
        }
        at += run;
    }
    // Rounding must not put a word before the one before it.
    let first = words.len() - tokens.len();
    for at in first.max(1)..words.len() {
        words[at].start = words[at].start.max(words[at - 1].start);
        words[at].end = words[at].end.max(words[at].start);
    }
}

/// Settles captions whose times can't be read, and puts all in time order.
pub(super) fn order(captions: &mut [Caption], oddities: &mut Oddities) {
    let mut before = 0.0f64;
    for caption in captions.iter_mut() {
        if caption.start.is_none() {
            caption.start = Some(caption.end.map_or(before, |end| before.min(end)));
        }
        if let (Some(start), Some(end)) = (caption.start, caption.end)
            && end < start
        {
            oddities.warn(
                caption.line,
                format!("the caption ends ({}) before it begins ({}); its end was worked out from its words", shown(end), shown(start)),
            );
            caption.end = None;
        }
        before = caption.end.or(caption.start).unwrap_or(before);
    }
    let mut latest = 0.0f64;
    for caption in captions.iter() {
        let start = caption.start.unwrap_or(latest);
        if start < latest {
            oddities.count(caption.line, "this caption begins before one that stands above it; the captions were sorted by time");
        }
        latest = latest.max(start);
    }
    captions.sort_by(|a, b| a.start.unwrap_or(0.0).total_cmp(&b.start.unwrap_or(0.0)));
}
