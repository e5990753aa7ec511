//! Which event says which move of the key.

use shakmaty::{Color, Move, Position};

use super::source::{MentionKind, Source, Walk};
use crate::decode::Start;
use crate::grammar::Grammar;
use crate::speech::{Event, Kind, Speech, read};
use crate::transcript::Transcript;

/// What the key says of one event.
#[derive(Debug, Clone, PartialEq)]
pub enum Gold {
    /// It is no move.
    Pass,
    /// It says moves from a node of a board.
    Play {
        /// Board.
        board: usize,
        /// Node of the key before the first move.
        node: usize,
        /// One move, or two for a trade.
        moves: Vec<Move>,
    },
}

/// A lesson ready for fitting: its speech, its key event by event.
#[derive(Debug)]
pub struct Lesson {
    /// The source.
    pub source: Source,
    /// The transcript.
    pub transcript: Transcript,
    /// The speech.
    pub speech: Speech,
    /// The key of each event.
    pub gold: Vec<Gold>,
    /// Moves that no event says: made just before an event (index), from (board, node).
    pub silent: Vec<(usize, usize, usize, Move)>,
    /// The boards.
    pub starts: Vec<Start>,
    /// Moves of the key that no event says though words do.
    pub uncovered: Vec<String>,
}

fn compatible(event: &Event, play: Move, turn: Color, slip: bool) -> f32 {
    let mover = event
        .slots
        .mover
        .is_some_and(|(r, d)| r == play.role() && d <= 4);
    let bonus = if mover { 0.5 } else { 0.0 };
    match event.kind {
        Kind::Square => {
            if play.castling_side().is_some() {
                return 0.0;
            }
            match event.squares.iter().find(|r| r.square(turn) == play.to()) {
                Some(r) => 3.5 - 0.4 * r.cost + bonus,
                None if slip => 0.6 + bonus,
                None => 0.0,
            }
        }
        Kind::Castle => {
            if play.castling_side().is_some() {
                3.0
            } else {
                0.0
            }
        }
        Kind::Capture => {
            if play.is_capture() {
                1.5 + bonus
                    + if event.slots.with == Some(play.role()) {
                        0.5
                    } else {
                        0.0
                    }
            } else {
                0.0
            }
        }
        Kind::Files => {
            if play.is_capture() {
                3.0
            } else {
                0.0
            }
        }
        Kind::Trade => {
            if play.is_capture() {
                1.2
            } else {
                0.0
            }
        }
        Kind::Mirror => 0.8,
        Kind::Piece => {
            if event.slots.mover.is_some_and(|(r, _)| r == play.role())
                && play.castling_side().is_none()
            {
                1.0
            } else {
                0.0
            }
        }
    }
}

/// Reads a lesson with a grammar and aligns its key with the events.
pub fn prepare(source: Source, grammar: &Grammar) -> Lesson {
    let (transcript, from) = source.transcript();
    let speech = read(&transcript, grammar);
    let word_of = |e: &Event| from[speech.tokens[e.first].word as usize];
    let mut gold = vec![Gold::Pass; speech.events.len()];
    let mut silent = Vec::new();
    let mut uncovered = Vec::new();
    for mention in &source.mentions {
        if mention.moves.is_empty() {
            continue;
        }
        let inside: Vec<usize> = (0..speech.events.len())
            .filter(|&k| (mention.first..mention.end).contains(&word_of(&speech.events[k])))
            .collect();
        let slip = mention.kind == MentionKind::Slip;
        let (n, m) = (inside.len(), mention.moves.len());
        // Monotone assignment by dynamic programming over (events, moves).
        let mut table = vec![vec![0f32; m + 1]; n + 1];
        for i in (0..n).rev() {
            for j in (0..m).rev() {
                let (board, node, play) = mention.moves[j];
                let turn = source.boards[board].nodes[node].position.turn();
                let c = compatible(&speech.events[inside[i]], play, turn, slip);
                let mut best = table[i + 1][j].max(table[i][j + 1]);
                if c > 0.4 {
                    best = best.max(table[i + 1][j + 1] + c + 0.01 * i as f32);
                }
                table[i][j] = best;
            }
        }
        let (mut i, mut j) = (0, 0);
        let mut last_event = None;
        while j < m {
            let (board, node, play) = mention.moves[j];
            let turn = source.boards[board].nodes[node].position.turn();
            if i < n {
                let k = inside[i];
                let c = compatible(&speech.events[k], play, turn, slip);
                if c > 0.4
                    && (table[i][j] - (table[i + 1][j + 1] + c + 0.01 * i as f32)).abs() < 1e-4
                {
                    gold[k] = Gold::Play {
                        board,
                        node,
                        moves: vec![play],
                    };
                    last_event = Some(k);
                    i += 1;
                    j += 1;
                    continue;
                }
                if (table[i][j] - table[i + 1][j]).abs() < 1e-4 {
                    i += 1;
                    continue;
                }
            }
            // A move left over: a trade's second half, or one that no event says.
            let joined = last_event.is_some_and(|k| {
                if let (Kind::Trade, Gold::Play { moves, .. }) =
                    (speech.events[k].kind, &mut gold[k])
                    && moves.len() == 1
                    && play.is_capture()
                    && moves[0].to() == play.to()
                {
                    moves.push(play);
                    return true;
                }
                false
            });
            if !joined {
                let next = speech
                    .events
                    .iter()
                    .position(|e| word_of(e) >= mention.end)
                    .unwrap_or(speech.events.len());
                let next = last_event.map_or(next, |k| k + 1).max(
                    i.checked_sub(1)
                        .map_or(0, |p| inside.get(p).map_or(0, |&k| k + 1)),
                );
                silent.push((next.min(speech.events.len()), board, node, play));
                uncovered.push(format!(
                    "{} [{}]",
                    play,
                    source.words[mention.first..mention.end].join(" ")
                ));
            }
            j += 1;
        }
    }
    for (word, walk) in &source.walks {
        if let Walk::Silent(board, node, play) = walk {
            let next = speech
                .events
                .iter()
                .position(|e| word_of(e) >= *word)
                .unwrap_or(speech.events.len());
            silent.push((next, *board, *node, *play));
        }
    }
    silent.sort_by_key(|s| s.0);
    let starts = source
        .walks
        .iter()
        .filter_map(|(word, walk)| match walk {
            Walk::Start(board) => {
                let from_event = if *board == 0 {
                    0
                } else {
                    speech
                        .events
                        .iter()
                        .position(|e| word_of(e) >= *word)
                        .unwrap_or(speech.events.len())
                };
                Some(Start {
                    position: source.boards[*board].start.clone(),
                    from_event,
                })
            }
            _ => None,
        })
        .collect();
    Lesson {
        source,
        transcript,
        speech,
        gold,
        silent,
        starts,
        uncovered,
    }
}
