//! Events and board in, the likeliest reading of the whole lesson out.
//!
//! A reading (a [`State`]) is a set of tree nodes, the node on the board, and where the talk has returned to. For each
//! event it either passes the words over or plays a move: from the board, along a move that is there, or from any other
//! place of the tree. Readings are scored by the log-linear [`Model`] without normalising a single decision, so that a
//! reading that has lost the thread pays for every strong mention that it can't place: what comes later may overturn
//! what came before. The search keeps a beam of readings and merges those with the same tree, board and last move.

mod features;
mod model;
mod search;
mod words;

pub use features::{Match, Place, is_plain};
pub use model::{Block, Collect, Dot, Model, ModelError, Sink, blocks};
pub use search::{Action, Candidate, Decoder, Options, Outcome, Start, State, Step};
