//! The study: what `plyscribe` makes of a lesson. This is the shape of the study JSON, version 1.

mod build;

pub use build::build;
pub(crate) use build::passage;

use serde::{Deserialize, Serialize};

/// The annotated variation trees of one lesson, and what was on the board when.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Study {
    /// Always [`Study::FORMAT`].
    pub format: String,
    /// Always [`Study::VERSION`].
    pub version: u32,
    /// Title of the lesson.
    pub title: String,
    /// Language code of the narration (`"en"`).
    pub language: String,
    /// The transcript that it was made from.
    pub source: Source,
    /// One game for each board of the lesson, in the order in which the boards were set up.
    pub games: Vec<Game>,
    /// What is on the board when: in order of time, no overlaps.
    pub timeline: Vec<Span>,
    /// Mentions that could not be played as they were said, or that say too little.
    pub flags: Vec<Flag>,
}

impl Study {
    /// Value of [`Study::format`].
    pub const FORMAT: &'static str = "plyscribe-study";
    /// Value of [`Study::version`].
    pub const VERSION: u32 = 1;
}

/// The transcript that a study was made from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Source {
    /// File name (no folders), or `-` for standard input.
    pub name: String,
    /// Length of the recording in seconds, as far as the transcript tells.
    pub seconds: f64,
}

/// One board of the lesson with its variation tree.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Game {
    /// FEN of the position that it starts from.
    pub start: String,
    /// The nodes; a parent stands before its children; node 0 is the root. Children of one node stand in the order
    /// in which they were told.
    pub nodes: Vec<Node>,
}

/// One position of a variation tree, with the move that leads to it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Node {
    /// Index of this node in [`Game::nodes`].
    pub id: usize,
    /// Node before the move; `None` for the root.
    pub parent: Option<usize>,
    /// The move in UCI-style coordinates (`e2e4`, `e7e8q`, castling as the king's two-square step); absent for the root.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub uci: Option<String>,
    /// The move in Standard Algebraic Notation; absent for the root.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub san: Option<String>,
    /// FEN of the position after the move.
    pub fen: String,
    /// Whether the main line of the lesson runs through this node.
    pub mainline: bool,
    /// How sure the move is, from 0 to 1; absent for the root.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub confidence: Option<f64>,
    /// Numeric Annotation Glyphs of the PGN standard, section 10.
    #[serde(default)]
    pub nags: Vec<u8>,
    /// Where in the lesson the move is said; empty for a move that nobody said.
    #[serde(default)]
    pub mentions: Vec<Passage>,
    /// What is said about the position.
    #[serde(default)]
    pub comments: Vec<Passage>,
}

/// Words of the lesson with their time in seconds.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Passage {
    /// Second at which the first word begins.
    pub start: f64,
    /// Second at which the last word ends.
    pub end: f64,
    /// The words.
    pub text: String,
}

/// A stretch of time in which one position stands on the board.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Span {
    /// Second at which it begins.
    pub start: f64,
    /// Second at which it ends.
    pub end: f64,
    /// Index in [`Study::games`].
    pub game: usize,
    /// Node of that game.
    pub node: usize,
}

/// What is wrong with a mention.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum FlagKind {
    /// The move as spoken can't be played in the position that it is said of.
    Illegal,
    /// The phrase as spoken fits more than one legal move.
    Ambiguous,
    /// The reading is uncertain.
    Unclear,
    /// Something said of the position is not true of it.
    Claim,
}

/// A mention that could not be played as it was said, or that says too little.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Flag {
    /// What is wrong.
    pub kind: FlagKind,
    /// Second at which the words begin.
    pub start: f64,
    /// Second at which the words end.
    pub end: f64,
    /// The words.
    pub text: String,
    /// Index in [`Study::games`] of the board that they are said of.
    pub game: usize,
    /// Node of that game at which they are said.
    pub node: usize,
    /// The moves that may be meant, likeliest first.
    pub candidates: Vec<Candidate>,
    /// The move that was taken as meant (UCI-style coordinates), if any.
    pub played: Option<String>,
    /// Whether the words around it make the intention plain: a note, no complaint.
    pub settled: bool,
    /// One sentence for the user.
    pub message: String,
}

/// A move that a flagged mention may mean.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Candidate {
    /// The move in UCI-style coordinates.
    pub uci: String,
    /// The move in Standard Algebraic Notation.
    pub san: String,
    /// How sure it is, from 0 to 1.
    pub confidence: f64,
}
