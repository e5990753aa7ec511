//! The cost model: a log-linear score with its weights in one data file.
//!
//! Dense features are small tables (a [`Block`] each); sparse ones are words around an event. Adding a feature is a
//! block in [`blocks`] and the line in `features.rs` that fills it.

use rustc_hash::FxHashMap;
use thiserror::Error;

use super::features::{Between, shared_features};

/// A table of weights with up to three indices.
#[derive(Debug, Clone, Copy)]
pub struct Block {
    /// Name in the data file.
    pub name: &'static str,
    /// Sizes of the three indices.
    pub dims: [usize; 3],
    /// First weight.
    pub offset: usize,
}

impl Block {
    /// Place of one weight.
    #[inline]
    pub fn at(&self, a: usize, b: usize, c: usize) -> usize {
        debug_assert!(
            a < self.dims[0] && b < self.dims[1] && c < self.dims[2],
            "{}: {a} {b} {c}",
            self.name
        );
        self.offset + (a * self.dims[1] + b) * self.dims[2] + c
    }

    /// How many weights it has.
    pub const fn size(&self) -> usize {
        self.dims[0] * self.dims[1] * self.dims[2]
    }
}

macro_rules! tables {
    ($($id:ident $name:literal [$a:expr, $b:expr, $c:expr];)*) => {
        tables!(@ 0; $($id $name [$a, $b, $c];)*);
        /// All tables in the order of their weights.
        pub const ALL: &[Block] = &[$($id),*];
    };
    (@ $offset:expr; $id:ident $name:literal [$a:expr, $b:expr, $c:expr]; $($rest:tt)*) => {
        #[allow(missing_docs)]
        pub const $id: Block = Block { name: $name, dims: [$a, $b, $c], offset: $offset };
        tables!(@ $id.offset + $id.size(); $($rest)*);
    };
    (@ $offset:expr;) => {
        /// Number of dense weights.
        pub const DENSE: usize = $offset;
    };
}

/// The dense tables. What each index means stands where the features are filled (`features.rs`).
pub mod blocks {
    use super::Block;
    use crate::decode::words::LINK_KINDS;
    use crate::speech::KINDS;
    tables! {
        M_KIND "move.kind" [KINDS, 6, 2];
        M_COST "move.sound" [10, 4, 2];
        M_MOVER "move.mover" [7, 6, 4];
        M_FITS "move.fits" [3, 5, 4];
        M_MISHEARD "move.mover.misheard" [2, 2, 4];
        M_WITH "move.with" [7, 6, 1];
        M_VICTIM "move.victim" [7, 7, 1];
        M_CAPTURE "move.capture" [2, 2, 3];
        M_CHECK "move.check" [3, 3, 1];
        M_SIDE "move.side" [3, 2, KINDS];
        M_FILE "move.file" [6, 2, 2];
        M_ORIGIN "move.origin" [3, 2, 1];
        M_TYPED "move.typed" [2, 2, 2];
        M_CASTLE "move.castle" [4, 3, 1];
        M_PROMOTION "move.promotion" [3, 3, 1];
        M_AMBIGUOUS "move.rivals" [4, 4, KINDS];
        M_PAWN_RIVAL "move.pawn.rival" [3, 2, 4];
        M_RECAPTURE "move.recapture" [2, 2, KINDS];
        M_SAFE "move.safety" [4, 6, 2];
        M_GAIN "move.gain" [5, KINDS, 1];
        M_BACKWARD "move.backward" [2, 3, 2];
        M_HOME "move.comes.back" [2, 2, 1];
        M_OPENING "move.opening" [3, 10, 1];
        M_USUAL "move.usual" [5, KINDS, 4];
        M_USUAL_MAN "move.usual.man" [5, 6, 2];
        M_LEAVES "move.leaves" [5, 6, 2];
        M_FREE "move.free" [5, 5, 2];
        M_PUSH "move.push" [2, 3, 1];
        M_STEPS "move.steps" [3, 3, KINDS];
        M_TOLD "move.told" [3, 4, 6];
        M_FORCED "move.forced" [3, 2, KINDS];
        M_CHASED "move.chased" [2, KINDS, 1];
        S_GAP "place.gap" [14, 7, 1];
        S_CUE "place.cue" [6, 64, 1];
        S_EDGE "place.edge" [14, 3, 2];
        S_FORK "place.fork" [5, 2, 5];
        S_NAMED "place.named" [3, 3, 5];
        S_RELATION "place.relation" [5, 4, 5];
        S_NUMBER "place.number" [4, 5, 2];
        S_STOP "place.stop" [6, 4, 1];
        S_PERSON "place.person" [4, 7, 1];
        S_PREV "place.before" [3, 6, 2 * KINDS];
        S_CHILDREN "place.children" [6, 4, 1];
        S_OVERLAP "place.overlap" [2, KINDS, KINDS];
        S_NEWGAME "place.newgame" [2, 8, 1];
        S_LAST "place.last" [6, 3, 1];
        S_SAMEPIECE "place.replaces" [4, 6, 1];
        S_SEEN "place.seen" [6, 4, 4];
        S_FILL "place.filled" [2, 6, 2];
        S_UNSAID_SAFE "place.filled.safety" [3, 6, 2];
        N_PREV "none.before" [3, 6, KINDS];
        N_LINK "none.link" [3, LINK_KINDS, KINDS];
        N_DENSITY "none.density" [4, 3, KINDS];
        N_MATCH "none.match" [KINDS, 5, 4];
        N_PIECE "none.occupant" [6, 3, 2];
        N_LAST "none.last" [6, 4, 2];
        N_ELSE "none.elsewhere" [KINDS, 3, 3];
        N_REPEAT "none.repeat" [3, 6, 1];
    }
}

/// Why a weights file can't be used.
#[derive(Debug, Error)]
#[error("the weights file, line {line}: {problem}")]
pub struct ModelError {
    /// Line, from 1.
    pub line: usize,
    /// What is wrong.
    pub problem: String,
}

/// The weights.
#[derive(Debug, Clone, Default)]
pub struct Model {
    /// Weights of the dense tables.
    pub dense: Vec<f32>,
    /// The same for a lesson that tells moves plainly and little else.
    pub plain: Vec<f32>,
    /// Weights of the words, by place.
    pub sparse: Vec<f32>,
    /// Place of each sparse feature.
    pub names: FxHashMap<String, u32>,
}

impl Model {
    /// A model that knows nothing.
    pub fn empty() -> Model {
        Model {
            dense: vec![0.0; blocks::DENSE],
            plain: vec![0.0; blocks::DENSE],
            sparse: Vec::new(),
            names: FxHashMap::default(),
        }
    }

    /// The fitted model that comes with the program.
    ///
    /// # Panics
    /// Never in a released build: the file is part of the program and read by its tests.
    pub fn built_in() -> Model {
        Model::parse(include_str!("../../grammars/en.weights"))
            .expect("the built-in weights are valid")
    }

    /// Reads a weights file: a line `table a b c weight` for a dense weight, the same behind `plain ` for what is added to it in
    /// a plain lesson, `word<TAB>feature<TAB>weight` for a sparse one.
    ///
    /// # Errors
    /// [`ModelError`] with the line that can't be read.
    pub fn parse(text: &str) -> Result<Model, ModelError> {
        let mut model = Model::empty();
        let mut table: Option<&Block> = None;
        for (number, line) in text.lines().enumerate() {
            let bad = |problem: &str| ModelError {
                line: number + 1,
                problem: problem.to_owned(),
            };
            if line.is_empty() || line.starts_with('#') {
                continue;
            }
            if let Some(rest) = line.strip_prefix("word\t") {
                let (name, weight) = rest
                    .rsplit_once('\t')
                    .ok_or_else(|| bad("a word line needs a feature and a weight"))?;
                let weight: f32 = weight.parse().map_err(|_| bad("the weight is no number"))?;
                model
                    .names
                    .insert(name.to_owned(), model.sparse.len() as u32);
                model.sparse.push(weight);
                continue;
            }
            let (line, weights) = match line.strip_prefix("plain ") {
                Some(rest) => (rest, &mut model.plain),
                None => (line, &mut model.dense),
            };
            let mut parts = line.split(' ');
            let name = parts.next().unwrap_or_default();
            if table.is_none_or(|t| t.name != name) {
                table = blocks::ALL.iter().find(|t| t.name == name);
            }
            let Some(found) = table.filter(|t| t.name == name) else {
                continue;
            };
            let mut index = [0usize; 3];
            for (slot, size) in index.iter_mut().zip(found.dims) {
                *slot = parts
                    .next()
                    .and_then(|p| p.parse().ok())
                    .filter(|&i| i < size)
                    .ok_or_else(|| bad("an index is missing or out of range"))?;
            }
            let weight: f32 = parts
                .next()
                .and_then(|p| p.parse().ok())
                .ok_or_else(|| bad("the weight is missing or no number"))?;
            weights[found.at(index[0], index[1], index[2])] = weight;
        }
        for (plain, weight) in model.plain.iter_mut().zip(&model.dense) {
            *plain += weight;
        }
        Ok(model)
    }

    /// Writes the weights file; weights that round to 0.00, and those of words below 0.02, are left out.
    pub fn to_text(&self, heading: &str) -> String {
        let mut out = String::new();
        for line in heading.lines() {
            out.push_str(&format!("# {line}\n"));
        }
        let more = self.plain.iter().zip(&self.dense);
        let more: Vec<f32> = more.map(|(plain, weight)| plain - weight).collect();
        for (prefix, weights) in [("", &self.dense), ("plain ", &more)] {
            for table in blocks::ALL {
                for a in 0..table.dims[0] {
                    for b in 0..table.dims[1] {
                        for c in 0..table.dims[2] {
                            let weight = weights[table.at(a, b, c)];
                            if weight.abs() >= 0.005 {
                                let name = table.name;
                                out.push_str(&format!("{prefix}{name} {a} {b} {c} {weight:.3}\n"));
                            }
                        }
                    }
                }
            }
        }
        let mut words: Vec<(&String, f32)> = self
            .names
            .iter()
            .map(|(n, &i)| (n, self.sparse[i as usize]))
            .filter(|(_, w)| w.abs() >= 0.02)
            .collect();
        words.sort_by(|a, b| a.0.cmp(b.0));
        for (name, weight) in words {
            out.push_str(&format!("word\t{name}\t{weight:.3}\n"));
        }
        out
    }

    /// The dense weights for a lesson, by whether it is plain.
    pub fn weights(&self, plain: bool) -> &[f32] {
        if plain { &self.plain } else { &self.dense }
    }

    /// Sum of the weights of sparse features.
    pub fn sparse_score(&self, features: &[u32]) -> f32 {
        features.iter().map(|&i| self.sparse[i as usize]).sum()
    }
}

/// Takes features as they are found.
pub trait Sink {
    /// Adds a dense feature.
    fn add(&mut self, feature: usize);

    /// Adds the features that all moves of a place share.
    fn shared(&mut self, between: &Between, rel: usize);
}

/// Sums weights.
#[derive(Debug)]
pub struct Dot<'m> {
    /// The weights.
    pub weights: &'m [f32],
    /// The sum so far.
    pub sum: f32,
}

impl<'m> Dot<'m> {
    /// Nothing summed yet.
    pub fn new(weights: &'m [f32]) -> Dot<'m> {
        Dot { weights, sum: 0.0 }
    }
}

impl Sink for Dot<'_> {
    #[inline]
    fn add(&mut self, feature: usize) {
        self.sum += self.weights[feature];
    }

    #[inline]
    fn shared(&mut self, between: &Between, rel: usize) {
        self.sum += between.shared[rel];
    }
}

/// Collects features.
#[derive(Debug, Default, Clone)]
pub struct Collect(pub Vec<u32>);

impl Sink for Collect {
    fn add(&mut self, feature: usize) {
        self.0.push(feature as u32);
    }

    fn shared(&mut self, between: &Between, rel: usize) {
        shared_features(between, rel, |f| self.add(f));
    }
}
