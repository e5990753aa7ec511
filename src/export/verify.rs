//! Checks a study against itself and against the rules of chess.
//!
//! Studies come from the builder, but also from JSON files that people and other programs have touched. What is
//! verified here the writers rely on: the tree has a root and no loops, every move is legal where it stands, and SAN
//! and FEN are those of the move.
//!
//! ```
//! use plyscribe::export::verify::{StudyError, verify};
//! use plyscribe::study::{Game, Source, Study};
//!
//! let mut study = Study {
//!     format: Study::FORMAT.into(),
//!     version: Study::VERSION,
//!     title: "Nothing yet".into(),
//!     language: "en".into(),
//!     source: Source { name: "-".into(), seconds: 0.0 },
//!     games: vec![],
//!     timeline: vec![],
//!     flags: vec![],
//! };
//! assert_eq!(verify(&study), Ok(()));
//!
//! study.games.push(Game { start: "8/8/8/8/8/8/8/8 w - - 0 1".into(), nodes: vec![] });
//! let error = verify(&study).unwrap_err();
//! assert!(matches!(error, StudyError::Start { game: 0, .. }));
//! assert!(error.to_string().starts_with("games[0].start: "));
//! ```

use shakmaty::fen::Fen;
use shakmaty::san::SanPlus;
use shakmaty::uci::UciMove;
use shakmaty::{CastlingMode, Chess, EnPassantMode, Position, PositionError, Setup};
use thiserror::Error;

use crate::study::{Game, Node, Study};

/// What is wrong with a study, and where: `games[1].nodes[7]` is the place in the study JSON, counted from 0.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum StudyError {
    /// [`Study::format`] is not [`Study::FORMAT`].
    #[error("format: this is \"{0}\", not a study (\"{expected}\")", expected = Study::FORMAT)]
    Format(String),
    /// [`Study::version`] is not [`Study::VERSION`].
    #[error("version: this is version {0}; only version {expected} can be read", expected = Study::VERSION)]
    Version(u32),
    /// A game starts from something that is no position.
    #[error("games[{game}].start: {reason}")]
    Start {
        /// Index in [`Study::games`].
        game: usize,
        /// What is wrong with the FEN.
        reason: String,
    },
    /// The tree is none: no root, ids out of order, a parent that does not stand before its child.
    #[error("games[{game}].nodes[{node}]: {reason}")]
    Tree {
        /// Index in [`Study::games`].
        game: usize,
        /// Index in [`Game::nodes`].
        node: usize,
        /// What is wrong.
        reason: String,
    },
    /// A move that can't be played where it stands, or whose SAN or FEN is not that of the move.
    #[error("games[{game}].nodes[{node}]: {reason}")]
    Move {
        /// Index in [`Study::games`].
        game: usize,
        /// Index in [`Game::nodes`].
        node: usize,
        /// What is wrong.
        reason: String,
    },
    /// A time or a confidence that is no number, or out of range.
    #[error("{place}: {value} is no {what}")]
    Value {
        /// Where it stands, as a path in the study JSON.
        place: String,
        /// The value, as text.
        value: String,
        /// What it should be.
        what: &'static str,
    },
    /// A span of the timeline or a flag that points to a node that is not there.
    #[error("{place}: there is no node {node} of game {game}")]
    NoSuchNode {
        /// Where it stands, as a path in the study JSON.
        place: String,
        /// Index in [`Study::games`].
        game: usize,
        /// Index in [`Game::nodes`].
        node: usize,
    },
}

/// Checks that a study is whole: the tree, the moves with their SAN and FEN, the times and what they point to.
///
/// FENs are compared as positions, with move counters. The en passant square may be given after every two-square pawn
/// move (PGN standard, section 16.1.3.4) or only where the capture is legal.
///
/// # Errors
/// The first thing that is wrong, with its place.
pub fn verify(study: &Study) -> Result<(), StudyError> {
    if study.format != Study::FORMAT {
        return Err(StudyError::Format(study.format.clone()));
    }
    if study.version != Study::VERSION {
        return Err(StudyError::Version(study.version));
    }
    seconds(study.source.seconds, || "source.seconds".into())?;
    for (index, game) in study.games.iter().enumerate() {
        verify_game(index, game)?;
    }
    let exists =
        |game: usize, node: usize| study.games.get(game).is_some_and(|g| node < g.nodes.len());
    for (index, span) in study.timeline.iter().enumerate() {
        let place = || format!("timeline[{index}]");
        range(span.start, span.end, place)?;
        if !exists(span.game, span.node) {
            return Err(StudyError::NoSuchNode {
                place: place(),
                game: span.game,
                node: span.node,
            });
        }
    }
    for (index, flag) in study.flags.iter().enumerate() {
        let place = || format!("flags[{index}]");
        range(flag.start, flag.end, place)?;
        if !exists(flag.game, flag.node) {
            return Err(StudyError::NoSuchNode {
                place: place(),
                game: flag.game,
                node: flag.node,
            });
        }
        for (at, candidate) in flag.candidates.iter().enumerate() {
            confidence(candidate.confidence, || {
                format!("flags[{index}].candidates[{at}].confidence")
            })?;
        }
    }
    Ok(())
}

fn verify_game(index: usize, game: &Game) -> Result<(), StudyError> {
    let start = position(&game.start).map_err(|reason| StudyError::Start {
        game: index,
        reason,
    })?;
    let tree = |node, reason: &str| StudyError::Tree {
        game: index,
        node,
        reason: reason.into(),
    };
    if game.nodes.is_empty() {
        return Err(tree(0, "the game has no root"));
    }
    let mut positions: Vec<Chess> = Vec::with_capacity(game.nodes.len());
    for (id, node) in game.nodes.iter().enumerate() {
        if node.id != id {
            return Err(tree(
                id,
                &format!("the id is {}, but the node stands at {id}", node.id),
            ));
        }
        let reached = match (id, node.parent) {
            (0, None) => {
                if node.uci.is_some() || node.san.is_some() {
                    return Err(tree(0, "the root has a move"));
                }
                start.clone()
            }
            (0, Some(_)) => return Err(tree(0, "the root has a parent")),
            (_, None) => return Err(tree(id, "only node 0 may be without a parent")),
            (_, Some(parent)) if parent >= id => {
                return Err(tree(
                    id,
                    &format!("its parent {parent} does not stand before it"),
                ));
            }
            (_, Some(parent)) => {
                play(&positions[parent], node).map_err(|reason| StudyError::Move {
                    game: index,
                    node: id,
                    reason,
                })?
            }
        };
        let given = position(&node.fen).map_err(|reason| StudyError::Move {
            game: index,
            node: id,
            reason,
        })?;
        if setup_of(&given) != setup_of(&reached) {
            let right = Fen::from_position(&reached, EnPassantMode::Legal);
            let reason = format!(
                "the FEN is \"{}\", but the position is \"{right}\"",
                node.fen
            );
            return Err(StudyError::Move {
                game: index,
                node: id,
                reason,
            });
        }
        positions.push(reached);
        let place = |what: &str| format!("games[{index}].nodes[{id}].{what}");
        if let Some(value) = node.confidence {
            confidence(value, || place("confidence"))?;
        }
        for (at, passage) in node.mentions.iter().enumerate() {
            range(passage.start, passage.end, || {
                place(&format!("mentions[{at}]"))
            })?;
        }
        for (at, passage) in node.comments.iter().enumerate() {
            range(passage.start, passage.end, || {
                place(&format!("comments[{at}]"))
            })?;
        }
    }
    Ok(())
}

/// Reads a FEN as a position that can be played on. Set-up boards of a lesson may hold more than a game could bring
/// about (nine queens, an impossible double check): that is no reason to refuse them.
fn position(fen: &str) -> Result<Chess, String> {
    let parsed: Fen = fen
        .parse()
        .map_err(|error| format!("\"{fen}\" is no FEN: {error}"))?;
    parsed
        .into_position::<Chess>(CastlingMode::Standard)
        .or_else(PositionError::ignore_too_much_material)
        .or_else(PositionError::ignore_impossible_check)
        .map_err(|error| format!("\"{fen}\" can't be played on: {error}"))
}

fn setup_of(position: &Chess) -> Setup {
    position.to_setup(EnPassantMode::Legal)
}

fn play(before: &Chess, node: &Node) -> Result<Chess, String> {
    let (Some(uci), Some(san)) = (&node.uci, &node.san) else {
        return Err("a node other than the root needs \"uci\" and \"san\"".into());
    };
    let parsed: UciMove = uci
        .parse()
        .map_err(|_| format!("\"{uci}\" is no move in coordinates"))?;
    let played = parsed
        .to_move(before)
        .map_err(|_| format!("{uci} can't be played there"))?;
    let right = UciMove::from_standard(played).to_string();
    if *uci != right {
        return Err(format!(
            "the move is written \"{uci}\", but stands for \"{right}\""
        ));
    }
    let mut after = before.clone();
    let right = SanPlus::from_move_and_play_unchecked(&mut after, played).to_string();
    if *san != right {
        return Err(format!(
            "the SAN is \"{san}\", but {uci} is \"{right}\" there"
        ));
    }
    Ok(after)
}

fn seconds(value: f64, place: impl Fn() -> String) -> Result<(), StudyError> {
    if value.is_finite() && value >= 0.0 {
        return Ok(());
    }
    Err(StudyError::Value {
        place: place(),
        value: value.to_string(),
        what: "time in seconds",
    })
}

fn range(start: f64, end: f64, place: impl Fn() -> String) -> Result<(), StudyError> {
    seconds(start, || place() + ".start")?;
    seconds(end, || place() + ".end")?;
    if start <= end {
        return Ok(());
    }
    let what = "time at or after the start";
    Err(StudyError::Value {
        place: place() + ".end",
        value: end.to_string(),
        what,
    })
}

fn confidence(value: f64, place: impl Fn() -> String) -> Result<(), StudyError> {
    if (0.0..=1.0).contains(&value) {
        return Ok(());
    }
    Err(StudyError::Value {
        place: place(),
        value: value.to_string(),
        what: "confidence from 0 to 1",
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::study::{Flag, FlagKind, Passage, Source, Span};

    const START: &str = "rnbqkbnr/pppppppp/8/8/8/8/PPPPPPPP/RNBQKBNR w KQkq - 0 1";
    const AFTER_E4: &str = "rnbqkbnr/pppppppp/8/8/4P3/8/PPPP1PPP/RNBQKBNR b KQkq - 0 1";

    fn node(
        id: usize,
        parent: Option<usize>,
        uci: Option<&str>,
        san: Option<&str>,
        fen: &str,
    ) -> Node {
        Node {
            id,
            parent,
            uci: uci.map(Into::into),
            san: san.map(Into::into),
            fen: fen.into(),
            mainline: true,
            confidence: uci.map(|_| 0.9),
            nags: vec![],
            mentions: vec![],
            comments: vec![],
        }
    }

    fn study() -> Study {
        Study {
            format: Study::FORMAT.into(),
            version: Study::VERSION,
            title: "One move".into(),
            language: "en".into(),
            source: Source {
                name: "one.vtt".into(),
                seconds: 9.0,
            },
            games: vec![Game {
                start: START.into(),
                nodes: vec![
                    node(0, None, None, None, START),
                    node(1, Some(0), Some("e2e4"), Some("e4"), AFTER_E4),
                ],
            }],
            timeline: vec![Span {
                start: 0.0,
                end: 9.0,
                game: 0,
                node: 1,
            }],
            flags: vec![],
        }
    }

    fn message(change: impl Fn(&mut Study)) -> String {
        let mut changed = study();
        assert_eq!(
            verify(&changed),
            Ok(()),
            "the study must be sound before the change"
        );
        change(&mut changed);
        verify(&changed)
            .expect_err("the change must be noticed")
            .to_string()
    }

    #[test]
    fn both_ways_of_writing_the_en_passant_square_are_read() {
        let mut study = study();
        study.games[0].nodes[1].fen = AFTER_E4.replace("KQkq -", "KQkq e3");
        assert_eq!(verify(&study), Ok(()));
    }

    #[test]
    fn set_up_boards_with_more_than_a_game_can_hold_are_taken() {
        let mut study = study();
        let fen = "4k3/8/8/8/8/8/PPPPPPPP/QQQQKQQQ w - - 0 1";
        study.games[0] = Game {
            start: fen.into(),
            nodes: vec![node(0, None, None, None, fen)],
        };
        study.timeline.clear();
        assert_eq!(verify(&study), Ok(()));
    }

    #[test]
    fn each_fault_is_named_with_its_place() {
        let cases: Vec<(String, &str)> = vec![
            (
                message(|s| s.format = "notes".into()),
                "format: this is \"notes\"",
            ),
            (
                message(|s| s.version = 7),
                "version: this is version 7; only version 1",
            ),
            (
                message(|s| s.games[0].start = "nothing".into()),
                "games[0].start: \"nothing\" is no FEN",
            ),
            (
                message(|s| s.games[0].nodes.clear()),
                "games[0].nodes[0]: the game has no root",
            ),
            (
                message(|s| s.games[0].nodes[1].id = 4),
                "games[0].nodes[1]: the id is 4",
            ),
            (
                message(|s| s.games[0].nodes[1].parent = Some(1)),
                "games[0].nodes[1]: its parent 1",
            ),
            (
                message(|s| s.games[0].nodes[1].parent = None),
                "games[0].nodes[1]: only node 0",
            ),
            (
                message(|s| s.games[0].nodes[0].parent = Some(0)),
                "games[0].nodes[0]: the root has a parent",
            ),
            (
                message(|s| s.games[0].nodes[0].uci = Some("e2e4".into())),
                "games[0].nodes[0]: the root has a move",
            ),
            (
                message(|s| s.games[0].nodes[1].uci = Some("e2e5".into())),
                "games[0].nodes[1]: e2e5 can't be played",
            ),
            (
                message(|s| s.games[0].nodes[1].uci = None),
                "games[0].nodes[1]: a node other than the root",
            ),
            (
                message(|s| s.games[0].nodes[1].san = Some("Pe4".into())),
                "games[0].nodes[1]: the SAN is \"Pe4\"",
            ),
            (
                message(|s| s.games[0].nodes[1].fen = START.into()),
                "games[0].nodes[1]: the FEN is ",
            ),
            (
                message(|s| s.games[0].nodes[1].confidence = Some(1.5)),
                "games[0].nodes[1].confidence: 1.5 is no",
            ),
            (
                message(|s| s.source.seconds = f64::NAN),
                "source.seconds: NaN is no time",
            ),
            (
                message(|s| s.timeline[0].end = -1.0),
                "timeline[0].end: -1 is no time",
            ),
            (
                message(|s| s.timeline[0].node = 2),
                "timeline[0]: there is no node 2 of game 0",
            ),
            (
                message(|s| {
                    s.games[0].nodes[1].mentions.push(Passage {
                        start: 2.0,
                        end: 1.0,
                        text: "e4".into(),
                    });
                }),
                "games[0].nodes[1].mentions[0].end: 1 is no time at or after the start",
            ),
            (
                message(|s| {
                    s.flags.push(Flag {
                        kind: FlagKind::Unclear,
                        start: 0.0,
                        end: 1.0,
                        text: "e".into(),
                        game: 3,
                        node: 0,
                        candidates: vec![],
                        played: None,
                        settled: false,
                        message: "?".into(),
                    });
                }),
                "flags[0]: there is no node 0 of game 3",
            ),
        ];
        for (found, expected) in cases {
            assert!(
                found.starts_with(expected),
                "{found:?} should start with {expected:?}"
            );
        }
    }

    #[test]
    fn castling_is_the_kings_two_square_step() {
        let before = "4k3/8/8/8/8/8/8/4K2R w K - 0 1";
        let after = "4k3/8/8/8/8/8/8/5RK1 b - - 1 1";
        let mut study = study();
        study.games[0].start = before.into();
        study.games[0].nodes = vec![
            node(0, None, None, None, before),
            node(1, Some(0), Some("e1g1"), Some("O-O"), after),
        ];
        assert_eq!(verify(&study), Ok(()));
        study.games[0].nodes[1].uci = Some("e1h1".into());
        let error = verify(&study).unwrap_err().to_string();
        assert_eq!(
            error,
            "games[0].nodes[1]: the move is written \"e1h1\", but stands for \"e1g1\""
        );
    }
}
