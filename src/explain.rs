//! Why the words at a time were read as they were: the position they met, what they may mean there, and the scores.
//!
//! ```
//! use plyscribe::read::Reader;
//!
//! let text = "[0:00] We open with e4, and black answers c5. Then knight f3, d6.\n";
//! let transcript = plyscribe::transcript::read(text.as_bytes(), "lesson.txt").unwrap();
//! let explanation = plyscribe::explain::explain(&Reader::english(), &transcript, &[], 1.0);
//! assert_eq!(explanation.fen, "rnbqkbnr/pppppppp/8/8/8/8/PPPPPPPP/RNBQKBNR w KQkq - 0 1");
//! assert_eq!(explanation.events[0].text, "e4,");
//! assert!(explanation.events[0].readings.iter().any(|reading| reading.what == "no move"));
//! assert!(explanation.to_text(100).lines().all(|line| line.chars().count() <= 100));
//! ```

use shakmaty::fen::Fen;
use shakmaty::san::SanPlus;
use shakmaty::{Color, EnPassantMode, Position};

use crate::board::NodeId;
use crate::command::clock;
use crate::decode::{Action, Decoder, Place, blocks};
use crate::grammar::Grammar;
use crate::read::{Reader, StartChoice};
use crate::speech::{Speech, Stop};
use crate::study::{Passage, passage};
use crate::transcript::Transcript;

/// Seconds around the time asked for whose events are explained.
const AROUND: f64 = 4.0;
/// Longest sentence, in seconds, that is explained as a whole.
const SENTENCE: f64 = 20.0;

/// What is known of one moment of a lesson.
#[derive(Debug, Clone, PartialEq)]
pub struct Explanation {
    /// The second asked for.
    pub at: f64,
    /// The words around it; `None` where nobody speaks.
    pub words: Option<Passage>,
    /// The position on the board when these words begin.
    pub fen: String,
    /// The moves that led to it, numbered; empty for the start.
    pub line: String,
    /// Places among the words that may be moves.
    pub events: Vec<EventExplanation>,
}

/// How one place was read.
#[derive(Debug, Clone, PartialEq)]
pub struct EventExplanation {
    /// Second at which its words begin.
    pub start: f64,
    /// Its words.
    pub text: String,
    /// What kind of words they are (`square`, `capture`, `castle`, ...).
    pub kind: &'static str,
    /// What the words may be, by score, best first.
    pub readings: Vec<Reading>,
    /// Which of them the best reading of the whole lesson holds; `None` if it is none of them.
    pub chosen: Option<usize>,
}

impl EventExplanation {
    /// Score of the reading that was chosen less that of its best rival: negative where the rival looked better on the
    /// spot, and what came before or after it decided. `None` without a rival.
    pub fn margin(&self) -> Option<f32> {
        let chosen = self.chosen?;
        let rival = self
            .readings
            .iter()
            .enumerate()
            .find(|(index, _)| *index != chosen)?
            .1;
        Some(self.readings[chosen].score - rival.score)
    }
}

/// One thing that the words may be.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// The move with its number and where it is played from, or `no move`.
    pub what: String,
    /// Score of the step; higher is likelier.
    pub score: f32,
    /// What the score is the sum of: names of features with their weights, the biggest first.
    pub parts: Vec<(String, f32)>,
}

/// Explains what was made of the words around a second of a lesson: of the sentence that it falls into, and of what is
/// said within four seconds of it.
pub fn explain(
    reader: &Reader,
    transcript: &Transcript,
    starts: &[StartChoice],
    at: f64,
) -> Explanation {
    let speech = reader.speech(transcript);
    let (mut decoder, outcome) = reader.decode(&speech, starts);
    let range = around(&speech, transcript, at);
    let mut state = decoder.initial();
    let mut board = None;
    let mut events = Vec::new();
    for step in &outcome.path {
        let k = step.event as usize;
        let event = &speech.events[k];
        if event.first >= range.1 {
            break;
        }
        if event.end > range.0 {
            board.get_or_insert(state.cursor);
            let mut candidates = decoder.candidates(&state, k);
            candidates.sort_by(|a, b| b.0.score.total_cmp(&a.0.score));
            let chosen = candidates.iter().position(|(c, _)| c.action == step.action);
            let words = word_parts(reader, &speech, k);
            let readings = candidates
                .iter()
                .map(|(candidate, features)| {
                    let mut parts: Vec<(String, f32)> = features
                        .0
                        .iter()
                        .map(|&id| {
                            (
                                feature_name(id as usize, &reader.grammar),
                                decoder.weights()[id as usize],
                            )
                        })
                        .collect();
                    if candidate.action != Action::Pass {
                        parts.extend(words.iter().cloned());
                    }
                    let rest = candidate.score - parts.iter().map(|p| p.1).sum::<f32>();
                    if rest.abs() > 0.05 {
                        // What the search takes from all ways on alike (a share of the score of no move).
                        parts.push(("share of no move".to_owned(), rest));
                    }
                    parts.retain(|p| p.1.abs() >= 0.005);
                    parts.sort_by(|a, b| b.1.abs().total_cmp(&a.1.abs()));
                    Reading {
                        what: what(&decoder, state.cursor, &candidate.action),
                        score: candidate.score,
                        parts,
                    }
                })
                .collect();
            let (first, end) = (
                event.phrase.min(event.first),
                event.phrase_end.max(event.end),
            );
            let said = passage(transcript, &speech.tokens, first, end);
            events.push(EventExplanation {
                start: said.as_ref().map_or(at, |p| p.start),
                text: said.map_or_else(String::new, |p| p.text),
                kind: event.kind.name(),
                readings,
                chosen,
            });
        }
        state = decoder.apply(&state, k, step.action, step.score);
    }
    let board = board.unwrap_or(state.cursor);
    Explanation {
        at,
        words: passage(transcript, &speech.tokens, range.0, range.1),
        fen: Fen::from_position(decoder.forest.position(board), EnPassantMode::Legal).to_string(),
        line: line(&decoder, board),
        events,
    }
}

/// Tokens of the sentence at a time, unless it is long, and of what is said nearby.
fn around(speech: &Speech, transcript: &Transcript, at: f64) -> (usize, usize) {
    let tokens = &speech.tokens;
    let start = |j: usize| transcript.words[tokens[j].word as usize].start;
    let end = |j: usize| transcript.words[tokens[j].word as usize].end;
    let mut first = tokens.partition_point(|t| transcript.words[t.word as usize].end < at - AROUND);
    let mut behind = tokens
        .partition_point(|t| transcript.words[t.word as usize].start <= at + AROUND)
        .max(first);
    if tokens.is_empty() {
        return (0, 0);
    }
    let here = tokens
        .partition_point(|t| transcript.words[t.word as usize].start <= at)
        .saturating_sub(1);
    let from = (0..=here)
        .rev()
        .find(|&j| tokens[j].stop == Stop::Full)
        .unwrap_or(0);
    let to = (here + 1..tokens.len())
        .find(|&j| tokens[j].stop == Stop::Full)
        .unwrap_or(tokens.len());
    if end(to - 1) - start(from) <= SENTENCE && end(to - 1) >= at - AROUND {
        first = first.min(from);
        behind = behind.max(to);
    }
    (first, behind)
}

/// Name of a dense feature: its table and the indices in it, those of one-sized dimensions left out.
pub fn feature_name(id: usize, grammar: &Grammar) -> String {
    let Some(block) = blocks::ALL.iter().rev().find(|b| b.offset <= id) else {
        return format!("feature {id}");
    };
    let [_, b, c] = block.dims;
    let rest = id - block.offset;
    let index = [rest / (b * c), rest / c % b, rest % c];
    let mut shown: Vec<String> = index
        .iter()
        .zip(block.dims)
        .filter(|(_, size)| *size > 1)
        .map(|(i, _)| i.to_string())
        .collect();
    // The second index of the cues is a word class of the grammar.
    if block.name == blocks::S_CUE.name
        && let (Some(name), Some(slot)) = (grammar.class_names().nth(index[1]), shown.get_mut(1))
    {
        *slot = name.to_owned();
    }
    format!("{}[{}]", block.name, shown.join(","))
}

/// The words around an event that the model knows, with their weights.
fn word_parts(reader: &Reader, speech: &Speech, event: usize) -> Vec<(String, f32)> {
    Decoder::words_of(speech, &reader.grammar, event)
        .into_iter()
        .filter_map(|name| {
            let weight = reader.model.sparse[*reader.model.names.get(&name)? as usize];
            let short = name.split_once('|').map_or(name.as_str(), |(_, rest)| rest);
            Some((format!("word {short}"), weight))
        })
        .collect()
}

/// A move with its number: `3. Bb5`, `3... a6`.
fn numbered(decoder: &Decoder, from: NodeId, index: u16) -> String {
    let position = decoder.forest.position(from);
    let san = decoder.forest.san(from, index);
    let dots = if position.turn() == Color::White {
        "."
    } else {
        "..."
    };
    format!("{}{dots} {san}", position.fullmoves())
}

fn what(decoder: &Decoder, cursor: NodeId, action: &Action) -> String {
    let Action::Play { from, found, place } = action else {
        return NO_MOVE.to_owned();
    };
    let forest = &decoder.forest;
    let mut out = String::new();
    let mut source = *from;
    if let Some((reply, _)) = found.fill {
        out = format!("{}, which nobody said, ", numbered(decoder, *from, reply));
        // The search has played it, or it would not have a move behind it.
        let Some(child) = forest.child(*from, reply) else {
            return out.trim_end_matches(", ").to_owned();
        };
        source = child;
    }
    out.push_str(&numbered(decoder, source, found.index));
    if let Some(second) = found.second
        && let Some(child) = forest.child(source, found.index)
    {
        out.push_str(&format!(", {}", numbered(decoder, child, second)));
    }
    if found.slip {
        out.push_str(", a slip");
    }
    out.push_str(&whence(decoder, cursor, *from, *place));
    out
}

/// Where a move is played from, unless that is the position on the board.
fn whence(decoder: &Decoder, cursor: NodeId, from: NodeId, place: Place) -> String {
    if from == cursor {
        return String::new();
    }
    let node = decoder.forest.node(from);
    let Some((parent, incoming)) = node.parent.zip(decoder.forest.incoming(from)) else {
        return if place.rel == 13 {
            ", on a new board".to_owned()
        } else {
            ", back at the start".to_owned()
        };
    };
    let at = decoder
        .forest
        .index_of(parent, incoming.play)
        .map_or_else(String::new, |index| numbered(decoder, parent, index));
    match place.rel {
        1..=9 => format!(", {} back, after {at}", plies(place.distance)),
        10 | 11 => format!(", {} on, after {at}", plies(place.distance)),
        _ => format!(", in another line, after {at}"),
    }
}

fn plies(n: u16) -> String {
    if n == 1 {
        "1 ply".to_owned()
    } else {
        format!("{n} plies")
    }
}

/// The numbered moves from the start of a board to a node.
fn line(decoder: &Decoder, node: NodeId) -> String {
    let mut path = Vec::new();
    let mut at = node;
    while let (Some(parent), Some(m)) =
        (decoder.forest.node(at).parent, decoder.forest.incoming(at))
    {
        path.push((parent, m.play));
        at = parent;
    }
    let mut out: Vec<String> = Vec::new();
    for (parent, play) in path.into_iter().rev() {
        let position = decoder.forest.position(parent);
        let san = SanPlus::from_move(position.clone(), play);
        match (position.turn(), out.is_empty()) {
            (Color::White, _) => out.push(format!("{}. {san}", position.fullmoves())),
            (Color::Black, true) => out.push(format!("{}... {san}", position.fullmoves())),
            (Color::Black, false) => out.push(san.to_string()),
        }
    }
    out.join(" ")
}

/// Readings shown for an event.
const SHOWN: usize = 5;
/// Margin from which words are plainly no move.
const PLAIN: f32 = 6.0;
/// What a reading is called that passes the words over.
const NO_MOVE: &str = "no move";
/// Features shown of a score.
const PARTS: usize = 8;

impl Explanation {
    /// The explanation as text for a terminal of so many columns.
    pub fn to_text(&self, columns: usize) -> String {
        let mut out = String::new();
        match &self.words {
            Some(words) => wrap(
                &mut out,
                &format!("{:>7}  ", clock(self.at)),
                &format!("“{}”", words.text),
                columns,
            ),
            None => out.push_str(&format!("{:>7}  nobody speaks\n", clock(self.at))),
        }
        let line = if self.line.is_empty() {
            "the start"
        } else {
            &self.line
        };
        wrap(&mut out, "  board  ", line, columns);
        wrap(&mut out, "         ", &self.fen, columns);
        if self.events.is_empty() {
            out.push_str("\nNo words here sound like a move.\n");
        }
        for event in &self.events {
            out.push('\n');
            event.write(&mut out, columns);
        }
        out
    }
}

impl EventExplanation {
    fn write(&self, out: &mut String, columns: usize) {
        wrap(
            out,
            &format!("{:>7}  ", clock(self.start)),
            &format!("“{}” ({})", self.text, self.kind),
            columns,
        );
        let read = match (self.chosen, self.margin()) {
            (None, _) => "read as something that is no candidate on the spot".to_owned(),
            (Some(c), None) => format!("read as {}; there is no rival", self.readings[c].what),
            (Some(c), Some(margin)) if margin >= 0.0 => format!(
                "read as {}; {margin:.1} ahead of its best rival",
                self.readings[c].what
            ),
            (Some(c), Some(margin)) => {
                format!(
                    "read as {}; {:.1} behind its best rival on the spot: the rest of the lesson decided",
                    self.readings[c].what, -margin
                )
            }
        };
        wrap(out, "         ", &read, columns);
        // Words that are plainly no move need no more than their best rival.
        let plain = self.margin().is_some_and(|m| m >= PLAIN)
            && self
                .chosen
                .is_some_and(|c| self.readings[c].what == NO_MOVE);
        if plain {
            for (index, reading) in self.readings.iter().enumerate().take(2) {
                let mark = if Some(index) == self.chosen { '>' } else { ' ' };
                wrap(
                    out,
                    &format!("       {mark} {:>6.1}  ", rounded(reading.score)),
                    &reading.what,
                    columns,
                );
            }
            return;
        }
        // The chosen reading is always among those shown.
        let mut shown: Vec<usize> = (0..self.readings.len().min(SHOWN)).collect();
        if let Some(c) = self.chosen.filter(|&c| c >= SHOWN) {
            shown.pop();
            shown.push(c);
        }
        let rival = shown.iter().copied().find(|&i| Some(i) != self.chosen);
        for index in shown {
            let reading = &self.readings[index];
            let mark = if Some(index) == self.chosen { '>' } else { ' ' };
            wrap(
                out,
                &format!("       {mark} {:>6.1}  ", rounded(reading.score)),
                &reading.what,
                columns,
            );
            let apart = Some(index) == self.chosen || Some(index) == rival;
            if apart {
                let parts: Vec<String> = reading
                    .parts
                    .iter()
                    .take(PARTS)
                    .filter(|part| part.1.abs() >= 0.05)
                    .map(|(name, weight)| {
                        format!("{weight:+.1}\u{a0}{}", name.replace(' ', "\u{a0}"))
                    })
                    .collect();
                let more = reading.parts.len() - parts.len();
                let mut text = parts.join("; ");
                if more > 0 {
                    text.push_str(&format!("; {more} smaller"));
                }
                wrap(out, "                   ", &text, columns);
            }
        }
        let hidden = self.readings.len().saturating_sub(SHOWN);
        if hidden > 0 {
            out.push_str(&format!("                 and {hidden} more\n"));
        }
    }
}

/// A score to one decimal, without a sign at zero.
fn rounded(score: f32) -> f32 {
    (score * 10.0).round() / 10.0 + 0.0
}

/// Appends a text behind a heading, broken at spaces into lines of at most `columns`, the later ones indented like the
/// first. No-break spaces hold together and are written as spaces.
fn wrap(out: &mut String, heading: &str, text: &str, columns: usize) {
    let indent = heading.chars().count();
    let room = columns.saturating_sub(indent).max(10);
    out.push_str(heading);
    let mut width = 0;
    for word in text.split(' ') {
        let mut word = word;
        let mut length = word.chars().count();
        if width > 0 && width + 1 + length > room {
            out.push_str(&format!("\n{}", " ".repeat(indent)));
            width = 0;
        } else if width > 0 {
            out.push(' ');
            width += 1;
        }
        while length > room {
            let cut = word
                .char_indices()
                .nth(room)
                .map_or(word.len(), |(at, _)| at);
            out.push_str(&format!(
                "{}\n{}",
                word[..cut].replace('\u{a0}', " "),
                " ".repeat(indent)
            ));
            word = &word[cut..];
            length -= room;
        }
        out.push_str(&word.replace('\u{a0}', " "));
        width += length;
    }
    out.push('\n');
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::decode::Block;

    #[test]
    fn every_feature_is_named_after_its_own_table() {
        let grammar = Grammar::english();
        for block in blocks::ALL {
            let [a, b, c] = block.dims;
            for id in [block.at(0, 0, 0), block.at(a - 1, b - 1, c - 1)] {
                let name = feature_name(id, &grammar);
                assert!(
                    name.starts_with(&format!("{}[", block.name)),
                    "{name} is not of {}",
                    block.name
                );
            }
        }
        let sound: &Block = &blocks::M_COST;
        assert_eq!(
            feature_name(sound.at(1, 2, 1), &grammar),
            "move.sound[1,2,1]"
        );
        let back = grammar
            .class_names()
            .position(|name| name == "back")
            .unwrap();
        assert_eq!(
            feature_name(blocks::S_CUE.at(3, back, 0), &grammar),
            "place.cue[3,back]"
        );
    }

    #[test]
    fn wrapped_lines_fit_and_keep_their_words() {
        let mut out = String::new();
        wrap(
            &mut out,
            "  x  ",
            "one two\u{a0}three four abcdefghijklmnopqrstuvwxyz",
            20,
        );
        assert!(out.lines().all(|line| line.chars().count() <= 20), "{out}");
        assert_eq!(
            out.split_whitespace().collect::<String>(),
            "xonetwothreefourabcdefghijklmnopqrstuvwxyz"
        );
        assert!(out.contains("two three"));
    }
}
