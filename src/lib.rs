//! plyscribe rebuilds the variation tree of a spoken chess lesson from its timed transcript.
//!
//! The data flows one way: [`transcript`], [`grammar`], [`speech`], [`board`], [`decode`], [`study`], [`export`]; each
//! folder depends only on those before it. [`lesson`] holds lessons with answer keys: reading, scoring and fitting.
//! [`read`] is the whole way in one call, [`explain`] shows why words were read as they were, [`command`] is what the
//! program does.
#![deny(missing_docs)]
#![warn(missing_debug_implementations)]

pub mod board;
pub mod command;
pub mod decode;
pub mod explain;
pub mod export;
pub mod grammar;
pub mod lesson;
pub mod read;
pub mod speech;
pub mod study;
pub mod transcript;
