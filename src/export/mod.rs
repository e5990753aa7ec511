//! Writes a [`Study`](crate::study::Study): as PGN ([`pgn`]), as study JSON ([`json`], which also reads it back), and
//! to a file without ever leaving half of one ([`mod@file`]). [`verify`] checks that a study says what the rules of chess
//! allow; the writers and the reader do it first.
//!
//! ```
//! use plyscribe::export::{json, pgn, pgn::Times};
//!
//! let study = json::from_str(
//!     r#"{"format": "plyscribe-study", "version": 1, "title": "Two moves", "language": "en",
//!         "source": {"name": "two-moves.vtt", "seconds": 4.0},
//!         "games": [{"start": "rnbqkbnr/pppppppp/8/8/8/8/PPPPPPPP/RNBQKBNR w KQkq - 0 1", "nodes": [
//!             {"id": 0, "parent": null, "mainline": true,
//!              "fen": "rnbqkbnr/pppppppp/8/8/8/8/PPPPPPPP/RNBQKBNR w KQkq - 0 1"},
//!             {"id": 1, "parent": 0, "uci": "e2e4", "san": "e4", "mainline": true, "confidence": 0.99,
//!              "fen": "rnbqkbnr/pppppppp/8/8/4P3/8/PPPP1PPP/RNBQKBNR b KQkq - 0 1",
//!              "mentions": [{"start": 1.2, "end": 1.9, "text": "king's pawn"}]}]}],
//!         "timeline": [], "flags": []}"#,
//! )?;
//! let text = pgn::to_string(&study, Times::Commands)?;
//! assert!(text.ends_with("1. e4 {[%said 0:00:01.2]} *\n\n"));
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

pub mod file;
pub mod json;
pub mod pgn;
pub mod verify;
