//! plyscribe rebuilds the variation tree of a spoken chess lesson from its timed transcript.
//!
//! The data flows one way: [`transcript`], `grammar`, `speech`, `board`, `decode`, [`study`], [`export`]; each folder
//! depends only on those before it.
#![deny(missing_docs)]
#![warn(missing_debug_implementations)]

pub mod export;
pub mod study;
pub mod transcript;
