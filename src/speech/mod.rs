//! Words and grammar in, the events of the lesson out: every place where a move may have been said.
//!
//! An [`Event`] is a *place to decide*: a square, a capture word, castling, a piece or a trade. What was said around it
//! (mover, victim, origin, check, side, ...) stands in its [`Slots`]; the squares that the words may be stand in its
//! [`Event::squares`] with their costs. Whether it was a move at all is decided by the decoder, with the board.

mod event;
mod token;

pub use event::{Event, KINDS, Kind, Reading, Slots, Speech, read};
pub use token::{Notation, Stop, Token, notation, tokens};
