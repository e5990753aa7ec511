//! How often a position occurs in the opening lines of `grammars/openings`, which players wrote from memory.

use shakmaty::zobrist::{Zobrist64, ZobristHash};
use shakmaty::{Chess, EnPassantMode};

/// Positions in order of their hash, ten bytes each; made by `build.rs`.
static TABLE: &[u8] = include_bytes!(concat!(env!("OUT_DIR"), "/openings.bin"));
const ENTRY: usize = 10;

fn bytes<const N: usize>(from: usize) -> [u8; N] {
    let mut out = [0; N];
    out.copy_from_slice(&TABLE[from..from + N]);
    out
}

/// Number of lines that go through a position; 0 for one that no line knows.
pub fn lines_through(position: &Chess) -> u16 {
    let hash: Zobrist64 = position.zobrist_hash(EnPassantMode::Legal);
    let (mut low, mut high) = (0, TABLE.len() / ENTRY);
    while low < high {
        let middle = (low + high) / 2;
        let found = u64::from_le_bytes(bytes(middle * ENTRY));
        if found == hash.0 {
            return u16::from_le_bytes(bytes(middle * ENTRY + 8));
        }
        if found < hash.0 {
            low = middle + 1;
        } else {
            high = middle;
        }
    }
    0
}

#[cfg(test)]
mod tests {
    use super::*;
    use shakmaty::Position;
    use shakmaty::san::San;

    fn after(moves: &str) -> Chess {
        let mut position = Chess::default();
        for word in moves.split(' ') {
            let play = word
                .parse::<San>()
                .expect("SAN")
                .to_move(&position)
                .expect("a legal move");
            position.play_unchecked(play);
        }
        position
    }

    #[test]
    fn common_openings_are_known_and_transpose() {
        assert!(lines_through(&Chess::default()) > 1000);
        assert!(lines_through(&after("e4 e5 Nf3 Nc6 Bb5")) > 10);
        assert_eq!(
            lines_through(&after("d4 Nf6 c4 g6")),
            lines_through(&after("c4 g6 d4 Nf6"))
        );
        assert_eq!(lines_through(&after("a3 h5 Nh3 Rh6 f3 Rf6")), 0);
    }
}
