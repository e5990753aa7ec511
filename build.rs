//! Compiles the opening lines of `grammars/openings` into a table of positions, so that reading a lesson needs no SAN of theirs.
//!
//! The table is what `src/board/openings.rs` reads: for each position reached, in order of its hash, eight bytes of the
//! Zobrist hash and two of the number of lines that go through it, little end first.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::{env, error, fs};

use shakmaty::san::San;
use shakmaty::zobrist::{Zobrist64, ZobristHash};
use shakmaty::{Chess, EnPassantMode, Position};

fn main() -> Result<(), Box<dyn error::Error>> {
    let folder = Path::new("grammars/openings");
    println!("cargo::rerun-if-changed={}", folder.display());
    println!("cargo::rerun-if-changed=build.rs");
    let mut files: Vec<PathBuf> = fs::read_dir(folder)?
        .map(|entry| entry.map(|e| e.path()))
        .collect::<Result<_, _>>()?;
    files.retain(|f| f.extension().is_some_and(|e| e == "txt"));
    files.sort();
    let mut counts: BTreeMap<u64, u16> = BTreeMap::new();
    for file in files {
        for (number, line) in fs::read_to_string(&file)?.lines().enumerate() {
            if line.starts_with('#') || line.trim().is_empty() {
                continue;
            }
            let mut position = Chess::default();
            count(&mut counts, &position);
            for word in line.split_whitespace() {
                let bad = |e: &dyn error::Error| {
                    format!("{}:{}: {word}: {e}", file.display(), number + 1)
                };
                let san: San = word.parse().map_err(|e| bad(&e))?;
                let play = san.to_move(&position).map_err(|e| bad(&e))?;
                position.play_unchecked(play);
                count(&mut counts, &position);
            }
        }
    }
    let mut table = Vec::with_capacity(counts.len() * 10);
    for (hash, lines) in counts {
        table.extend_from_slice(&hash.to_le_bytes());
        table.extend_from_slice(&lines.to_le_bytes());
    }
    fs::write(Path::new(&env::var("OUT_DIR")?).join("openings.bin"), table)?;
    Ok(())
}

fn count(counts: &mut BTreeMap<u64, u16>, position: &Chess) {
    let hash: Zobrist64 = position.zobrist_hash(EnPassantMode::Legal);
    let lines = counts.entry(hash.0).or_default();
    *lines = lines.saturating_add(1);
}
