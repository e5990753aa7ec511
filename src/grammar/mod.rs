//! A language as data: the words of a `grammars/*.toml` file, compiled for lookup.
//!
//! ```
//! use plyscribe::grammar::Grammar;
//!
//! let grammar = Grammar::english();
//! assert!(grammar.class_names().any(|name| name == "capture"));
//! assert_eq!(grammar.file_cost("delta")[3], 0.3);
//! ```

mod sound;

use std::collections::{BTreeMap, HashMap, HashSet};

use serde::Deserialize;
use shakmaty::Role;
use thiserror::Error;

pub use sound::Sounds;

/// Why a grammar file can't be used.
#[derive(Debug, Error)]
pub enum GrammarError {
    /// The file is no TOML, or lacks a table, or has one of the wrong shape; the message names line and column.
    #[error("the grammar can't be read: {0}")]
    Toml(#[from] toml::de::Error),
    /// A table does not hold what it must.
    #[error("the grammar's table `{table}` {problem}")]
    Table {
        /// Name of the table.
        table: String,
        /// What is wrong with it.
        problem: String,
    },
}

#[derive(Debug, Deserialize)]
struct Source {
    language: String,
    name: String,
    pieces: BTreeMap<String, Vec<String>>,
    misheard: BTreeMap<String, Vec<String>>,
    files: BTreeMap<String, Vec<String>>,
    ranks: BTreeMap<String, Vec<String>>,
    names: Names,
    sounds: SoundRules,
    classes: BTreeMap<String, Vec<String>>,
    verdicts: BTreeMap<String, Vec<String>>,
}

#[derive(Debug, Deserialize)]
struct Names {
    files: Vec<String>,
    ranks: Vec<String>,
}

#[derive(Debug, Deserialize)]
struct SoundRules {
    rules: Vec<(String, String)>,
}

/// A set of word classes, one bit for each class of the grammar in the order of [`Grammar::class_names`].
pub type ClassSet = u64;

/// Cost of a reading that is too far off to be considered.
pub const FAR: f32 = 9.0;

/// A compiled grammar: immutable, shared by everything that reads one lesson.
#[derive(Debug)]
pub struct Grammar {
    language: String,
    name: String,
    pieces: HashMap<String, Role>,
    misheard: HashSet<String>,
    files: HashMap<String, [f32; 8]>,
    ranks: HashMap<String, [f32; 8]>,
    class_names: Vec<String>,
    words: HashMap<String, ClassSet>,
    phrases: HashMap<String, Vec<(Vec<String>, ClassSet)>>,
    verdicts: HashMap<String, Vec<(Vec<String>, u8)>>,
    sounds: Sounds,
    piece_sounds: Vec<(String, Role)>,
    capture_sounds: Vec<String>,
}

fn spelled(
    list: &BTreeMap<String, Vec<String>>,
    first: u8,
    table: &str,
) -> Result<HashMap<String, [f32; 8]>, GrammarError> {
    let mut out: HashMap<String, [f32; 8]> = HashMap::new();
    for (key, words) in list {
        let index = match key.as_bytes() {
            [byte] if (first..first + 8).contains(byte) => usize::from(byte - first),
            _ => {
                return Err(GrammarError::Table {
                    table: table.into(),
                    problem: format!("has the unknown key `{key}`"),
                });
            }
        };
        for (place, word) in words.iter().enumerate() {
            let cost = match place {
                _ if word.len() == 1 && place == 0 => 0.0,
                1 if first == b'1' => 0.0,
                _ => 0.3,
            };
            let row = out.entry(word.clone()).or_insert([FAR; 8]);
            row[index] = row[index].min(cost);
        }
    }
    Ok(out)
}

impl Grammar {
    /// The English grammar that comes with the program.
    ///
    /// # Panics
    /// Never in a released build: the file is part of the program and read by its tests.
    pub fn english() -> Grammar {
        Grammar::from_toml(include_str!("../../grammars/en.toml"))
            .expect("the built-in English grammar is valid")
    }

    /// Compiles a grammar from the text of its file.
    ///
    /// # Errors
    /// [`GrammarError`] where the text is no TOML or a table is missing or of the wrong shape.
    pub fn from_toml(text: &str) -> Result<Grammar, GrammarError> {
        let source: Source = toml::from_str(text)?;
        let mut pieces = HashMap::new();
        for (key, words) in &source.pieces {
            let role = match key.as_str() {
                "king" => Role::King,
                "queen" => Role::Queen,
                "rook" => Role::Rook,
                "bishop" => Role::Bishop,
                "knight" => Role::Knight,
                "pawn" => Role::Pawn,
                _ => {
                    return Err(GrammarError::Table {
                        table: "pieces".into(),
                        problem: format!("has the unknown key `{key}`"),
                    });
                }
            };
            for word in words {
                pieces.insert(word.clone(), role);
            }
        }
        if source.classes.len() > 62 {
            return Err(GrammarError::Table {
                table: "classes".into(),
                problem: "has more than 62 classes".into(),
            });
        }
        if source.names.files.len() != 8 || source.names.ranks.len() != 8 {
            return Err(GrammarError::Table {
                table: "names".into(),
                problem: "must hold eight files and eight ranks".into(),
            });
        }
        let mut words: HashMap<String, ClassSet> = HashMap::new();
        let mut phrases: HashMap<String, Vec<(Vec<String>, ClassSet)>> = HashMap::new();
        for (bit, list) in source.classes.values().enumerate() {
            for entry in list {
                let parts: Vec<String> = entry.split_whitespace().map(str::to_owned).collect();
                match parts.as_slice() {
                    [] => {}
                    [one] => *words.entry(one.clone()).or_default() |= 1 << bit,
                    [head, ..] => phrases
                        .entry(head.clone())
                        .or_default()
                        .push((parts.clone(), 1 << bit)),
                }
            }
        }
        let mut verdicts: HashMap<String, Vec<(Vec<String>, u8)>> = HashMap::new();
        for (nag, list) in &source.verdicts {
            let nag: u8 = nag.parse().map_err(|_| GrammarError::Table {
                table: "verdicts".into(),
                problem: format!("has the key `{nag}`, which is no NAG"),
            })?;
            for entry in list {
                let parts: Vec<String> = entry.split_whitespace().map(str::to_owned).collect();
                if let Some(head) = parts.first() {
                    verdicts
                        .entry(head.clone())
                        .or_default()
                        .push((parts.clone(), nag));
                }
            }
        }
        for list in verdicts.values_mut() {
            list.sort_by_key(|(parts, _)| std::cmp::Reverse(parts.len()));
        }
        let sounds = Sounds::new(
            source.sounds.rules,
            &source.names.files,
            &source.names.ranks,
        );
        let mut piece_sounds = Vec::new();
        for (key, list) in &source.pieces {
            if let (Some(word), Some(role)) = (list.first(), pieces.get(key)) {
                piece_sounds.push((sounds.of(word), *role));
            }
        }
        let capture_sounds = source
            .classes
            .get("capture")
            .into_iter()
            .flatten()
            .take(1)
            .map(|w| sounds.of(w))
            .collect();
        Ok(Grammar {
            language: source.language,
            name: source.name,
            pieces,
            misheard: source.misheard.into_values().flatten().collect(),
            files: spelled(&source.files, b'a', "files")?,
            ranks: spelled(&source.ranks, b'1', "ranks")?,
            class_names: source.classes.keys().cloned().collect(),
            words,
            phrases,
            verdicts,
            sounds,
            piece_sounds,
            capture_sounds,
        })
    }

    /// Language code (`"en"`).
    pub fn language(&self) -> &str {
        &self.language
    }

    /// Name of the language in that language.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// The piece that a word names, if it is listed.
    pub fn piece(&self, word: &str) -> Option<Role> {
        self.pieces.get(word).copied()
    }

    /// The piece that an unlisted word sounds like, with its distance.
    pub fn piece_by_sound(&self, word: &str) -> Option<(Role, f32)> {
        let sound = self.sounds.of(word);
        if sound.len() < 3 {
            return None;
        }
        self.piece_sounds
            .iter()
            .map(|(s, role)| (*role, self.sounds.distance(&sound, s)))
            .filter(|&(_, d)| d <= 0.9)
            .min_by(|a, b| a.1.total_cmp(&b.1))
    }

    /// Whether an unlisted word sounds like the word for a capture.
    pub fn capture_by_sound(&self, word: &str) -> bool {
        let sound = self.sounds.of(word);
        sound.len() >= 3
            && self
                .capture_sounds
                .iter()
                .any(|s| self.sounds.distance(&sound, s) <= 0.9)
    }

    /// Whether a word is listed as one that recognisers write for another.
    pub fn is_misheard(&self, word: &str) -> bool {
        self.misheard.contains(word)
    }

    /// Whether the word stands in the grammar at all.
    pub fn knows(&self, word: &str) -> bool {
        self.words.contains_key(word) || self.pieces.contains_key(word)
    }

    /// How dear it is to read a word as each of the files a to h; listed words below 1.
    pub fn file_cost(&self, word: &str) -> [f32; 8] {
        self.letter_cost(word, &self.files, self.sounds.files())
    }

    /// How dear it is to read a word as each of the ranks 1 to 8; listed words below 1.
    pub fn rank_cost(&self, word: &str) -> [f32; 8] {
        self.letter_cost(word, &self.ranks, self.sounds.ranks())
    }

    fn letter_cost(
        &self,
        word: &str,
        listed: &HashMap<String, [f32; 8]>,
        names: &[String],
    ) -> [f32; 8] {
        let mut out = listed.get(word).copied().unwrap_or([FAR; 8]);
        // A word that means something else, and is not listed here, is no letter or digit for its sound.
        let other = !listed.contains_key(word)
            && (self.words.contains_key(word) || self.pieces.contains_key(word));
        if word.len() <= 6 && !other {
            let sound = self.sounds.of(word);
            for (cost, name) in out.iter_mut().zip(names) {
                let distance = self.sounds.distance(&sound, name);
                if distance <= 1.6 {
                    *cost = cost.min(0.6 + distance);
                }
            }
        }
        out
    }

    /// The squares that one run-together word may be ("defy"), with costs: sound distance plus 0.6.
    pub fn fused_squares(&self, word: &str) -> Vec<(u8, u8, f32)> {
        let sound = self.sounds.of(word);
        let mut out = Vec::new();
        if sound.len() < 3 || word.len() > 10 || word.len() < 4 || word.contains('\'') {
            return out;
        }
        for (f, file) in self.sounds.files().iter().enumerate() {
            for (r, rank) in self.sounds.ranks().iter().enumerate() {
                let distance = self.sounds.distance(&sound, &format!("{file}{rank}"));
                if distance <= 1.5 && distance < 0.26 * sound.len() as f32 {
                    out.push((f as u8, r as u8, 0.6 + distance));
                }
            }
        }
        out
    }

    /// Names of the word classes, in the order of their bits.
    pub fn class_names(&self) -> impl Iterator<Item = &str> {
        self.class_names.iter().map(String::as_str)
    }

    /// The bit of a class; 0 for a class that this grammar does not have.
    pub fn class(&self, name: &str) -> ClassSet {
        self.class_names
            .iter()
            .position(|n| n == name)
            .map_or(0, |bit| 1 << bit)
    }

    /// The classes of a single word.
    pub fn classes_of(&self, word: &str) -> ClassSet {
        self.words.get(word).copied().unwrap_or(0)
    }

    /// The phrases of two or more words that start with a word, each with its classes.
    pub fn phrases_from(&self, head: &str) -> &[(Vec<String>, ClassSet)] {
        self.phrases.get(head).map_or(&[], Vec::as_slice)
    }

    /// The verdicts that start with a word, the longest first, each with its NAG.
    pub fn verdicts_from(&self, head: &str) -> &[(Vec<String>, u8)] {
        self.verdicts.get(head).map_or(&[], Vec::as_slice)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn misheard_letters_and_digits_are_cheap() {
        let grammar = Grammar::english();
        assert!(grammar.file_cost("sea")[2] < 1.0);
        assert!(grammar.rank_cost("for")[3] < 1.0);
        // "defy" and "seafood" are too far for the limit that reads held-out lessons best; see `fused_squares`.
        assert!(
            grammar
                .fused_squares("before")
                .iter()
                .any(|&(f, r, _)| (f, r) == (1, 3))
        );
        assert!(grammar.fused_squares("window").is_empty());
    }

    #[test]
    fn a_broken_grammar_names_its_line() {
        let error = Grammar::from_toml("language = \"xx\"\nname = 3\n")
            .unwrap_err()
            .to_string();
        assert!(error.contains("line 2"), "{error}");
    }
}
