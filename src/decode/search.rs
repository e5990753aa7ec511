//! The beam search.

use std::collections::hash_map::Entry;
use std::rc::Rc;

use rustc_hash::{FxHashMap, FxHashSet};
use shakmaty::{Bitboard, Chess, Color};

use super::features::{
    Ask, Between, Going, Match, Moment, Named, Passing, Place, Trying, clarity_bucket,
    density_bucket, gap_bucket, is_plain, matches, moment_features, most_of_named, most_of_side,
    most_of_tree, move_features, near_bucket, none_features, place_features, said_features,
    shared_features, unsaid, unsaid_features,
};
use super::model::{Collect, Dot, Model, Sink};
use super::words::WordClasses;
use crate::board::{Forest, Node, NodeId};
use crate::grammar::Grammar;
use crate::speech::{Event, Kind, Speech, Stop};

/// Where the boards of a lesson start.
#[derive(Debug, Clone)]
pub struct Start {
    /// The position.
    pub position: Chess,
    /// First event that can belong to it (events before it belong to an earlier board, or to none).
    pub from_event: usize,
}

/// How hard the search tries.
#[derive(Debug, Clone, Copy)]
pub struct Options {
    /// Readings kept after each event.
    pub beam: usize,
    /// Readings with the same node on the board kept after each event.
    pub same_place: usize,
}

impl Options {
    /// A beam of this width, of which a sixteenth may have the same node on the board.
    pub fn of_beam(beam: usize) -> Options {
        Options {
            beam,
            same_place: beam.div_ceil(16),
        }
    }
}

impl Default for Options {
    fn default() -> Options {
        Options::of_beam(128)
    }
}

/// What a reading does with an event.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Action {
    /// The words are no move.
    Pass,
    /// The words are a move from a node.
    Play {
        /// Node that it is played from.
        from: NodeId,
        /// The move.
        found: Match,
        /// Where the node lies.
        place: Place,
    },
}

/// A way on from a state.
#[derive(Debug, Clone)]
pub struct Candidate {
    /// What is done.
    pub action: Action,
    /// Score of this step; higher is likelier.
    pub score: f32,
}

/// The nodes of a reading's tree.
#[derive(Debug, Clone, Default)]
struct Told {
    /// In the order in which they were told, starts included.
    order: Vec<NodeId>,
    /// The same as a set, a bit a node, in parts that readings share where they are alike.
    held: Vec<Rc<Part>>,
}

/// The bits of [`PART`] nodes.
type Part = [u64; PART / 64];

/// Nodes in a part of a reading's set of nodes.
const PART: usize = 1024;

impl Told {
    /// Whether the tree has a node.
    #[inline]
    fn has(&self, node: NodeId) -> bool {
        let node = node as usize;
        self.held
            .get(node / PART)
            .is_some_and(|part| part[node % PART / 64] >> (node % 64) & 1 == 1)
    }

    /// Those of the nodes of a word that the tree has.
    #[inline]
    fn among(&self, word: usize, nodes: u64) -> u64 {
        self.held
            .get(word / (PART / 64))
            .map_or(0, |part| part[word % (PART / 64)] & nodes)
    }

    fn add(&mut self, node: NodeId) {
        let at = node as usize;
        if self.held.len() <= at / PART {
            self.held.resize_with(at / PART + 1, Rc::default);
        }
        Rc::make_mut(&mut self.held[at / PART])[at % PART / 64] |= 1 << (at % 64);
        self.order.push(node);
    }
}

/// A reading of the lesson so far.
#[derive(Debug, Clone)]
pub struct State {
    told: Rc<Told>,
    /// The node on the board.
    pub cursor: NodeId,
    /// Event played last.
    pub last: Option<usize>,
    /// Whether the event just before was played.
    pub before: usize,
    /// Places returned to, latest first.
    pub forks: [NodeId; 4],
    /// Moves of White less moves of Black by person word.
    pub persons: [i8; 4],
    /// Boards opened so far.
    pub boards: usize,
    /// Sum of the scores.
    pub score: f32,
    /// Step in the record that made it.
    pub step: u32,
}

impl State {
    /// The nodes in the order in which they were told, starts included.
    pub fn nodes(&self) -> &[NodeId] {
        &self.told.order
    }

    /// Whether the tree has a node.
    #[inline]
    fn has(&self, node: NodeId) -> bool {
        self.told.has(node)
    }

    /// 1 for the place last returned to, 2 for the one before, 3 for any other returned to, 0 for none.
    fn fork(&self, node: NodeId) -> usize {
        let at = self.forks.iter().position(|&f| f == node);
        at.map_or(0, |rank| (rank + 1).min(3))
    }
}

/// One entry of the record of what readings did.
#[derive(Debug, Clone, Copy)]
pub struct Step {
    /// Step before.
    pub previous: u32,
    /// Event.
    pub event: u32,
    /// What was done.
    pub action: Action,
    /// Node on the board afterwards.
    pub cursor: NodeId,
    /// Score of this step.
    pub score: f32,
}

const NO_STEP: u32 = u32::MAX;
const NOWHERE: NodeId = NodeId::MAX;

/// The search's result.
#[derive(Debug)]
pub struct Outcome {
    /// The best reading.
    pub best: State,
    /// The surviving readings, best first, the best included.
    pub beam: Vec<State>,
    /// What the best reading did, event by event.
    pub path: Vec<Step>,
    /// All steps of all survivors.
    pub record: Vec<Step>,
}

/// Moves found behind a reply that nobody said, with their scores.
type Scored = Rc<Vec<(Match, f32)>>;

/// What one node offers for one event.
#[derive(Debug, Clone, Copy)]
struct Found {
    /// The moves, best first, by their places in [`Decoder::scored`].
    from: u32,
    to: u32,
    /// Best score of a move, slips aside.
    best: f32,
    /// Whether there are unclean (1) and clean (2) matches.
    counts: u8,
}

/// No move for the phrase.
const NOTHING: Found = Found {
    from: 0,
    to: 0,
    best: f32::NEG_INFINITY,
    counts: 0,
};

impl Found {
    fn range(&self) -> std::ops::Range<usize> {
        self.from as usize..self.to as usize
    }
}

/// What is known of one node for one event.
#[derive(Debug, Clone, Copy, Default)]
struct Slot {
    /// The round that it is of.
    round: u32,
    /// Moves found, by how much is tried.
    found: [Option<Found>; 3],
}

/// A node that has a move for the event, seen from far.
#[derive(Debug, Clone, Copy)]
struct Offer {
    id: NodeId,
    node: Node,
    best: f32,
    counts: u8,
}

/// The offers among the nodes of a word of a [`Told`].
#[derive(Debug, Clone, Copy)]
struct Group {
    /// Which word, counted over all parts.
    word: u32,
    /// The first of the offers.
    first: u32,
    /// The nodes, a bit each.
    nodes: u64,
}

/// The most that a move may get besides its own score.
struct Bounds<'b> {
    between: &'b Between,
    /// What the words and the moment add, by whether it is off the board, and the side that moves.
    moment: [[f32; 2]; 2],
    last_turn: Option<Color>,
}

impl Bounds<'_> {
    /// At one place.
    fn most(&self, place: Place, returned: bool, turn: Color) -> f32 {
        let same_side = usize::from(self.last_turn == Some(turn));
        self.between.most[place.rel][same_side][usize::from(returned)]
            + self.moment(place, turn)
            + SLACK
    }

    /// What the words and the moment add at one place for the side that moves.
    fn moment(&self, place: Place, mover: Color) -> f32 {
        self.moment[usize::from(place.rel != 0)][mover.fold_wb(0, 1)]
    }

    /// Anywhere off the board.
    fn anywhere(&self) -> f32 {
        let of = |turn: Color| {
            let same_side = usize::from(self.last_turn == Some(turn));
            self.between.anywhere[same_side] + self.moment[1][turn.fold_wb(0, 1)] + SLACK
        };
        of(Color::White).max(of(Color::Black))
    }
}

/// A place that a phrase may be played from.
#[derive(Debug, Clone, Copy)]
struct Spot {
    node: NodeId,
    place: Place,
    /// 1 for the place last returned to, 2 for the one before, 3 for any other returned to, 0 for none.
    fork: usize,
    trying: Trying,
}

/// A way on of one of the beam's readings.
#[derive(Debug, Clone, Copy)]
struct Way {
    /// Score of the reading that it leads to.
    total: f32,
    /// The reading that it goes on from, by its place in the beam.
    index: usize,
    action: Action,
    /// Score of the step alone.
    score: f32,
    /// What tells the reading that it leads to from others.
    key: Key,
}

/// What tells a reading from another for what is to come: the line on the board, the event played last and the places
/// last returned to.
type Key = (u64, usize, NodeId, NodeId);

/// How far below the best reading one is still followed.
const KEPT: f32 = 8.0;

/// Ways on collected while an event is tried, in beams, before those that can't be kept are dropped.
const ROOM: usize = 2;

/// How much of the score of passing over a phrase is taken from all that a reading may do with it. Tried on lessons that
/// the fit had not seen: 0, 0.3, 0.5, 0.7, 1.
const PASS_SHARE: f32 = 0.7;

/// How far below nothing that share is reckoned with before it is known.
const PASS_LEAST: f32 = 2.0;

/// What the scores that pruning compares may differ by for the order in which they were summed.
const SLACK: f32 = 1e-3;

/// Nodes told last that a phrase may go back to, besides the line on the board, the longest line and the places returned to.
const RECENT: usize = 80;

/// Places far from the board that a reading may go to, the likeliest ones.
const FAR: usize = 6;

/// Events after which the nodes that readings may go back to are found anew.
const RENEWED: usize = 16;

/// The ways on that may be kept after an event.
#[derive(Debug)]
struct Pool {
    options: Options,
    ways: Vec<Way>,
    /// The highest total so far.
    best: f32,
    /// What can't be kept whatever comes has no higher total than this.
    cut: f32,
    ranks: Vec<u64>,
    kept: Vec<Way>,
    seen: FxHashSet<Key>,
    crowd: FxHashMap<u64, usize>,
}

impl Pool {
    fn new(options: Options) -> Pool {
        Pool {
            options,
            ways: Vec::new(),
            best: f32::MIN,
            cut: f32::MIN,
            ranks: Vec::new(),
            kept: Vec::new(),
            seen: FxHashSet::default(),
            crowd: FxHashMap::default(),
        }
    }

    fn clear(&mut self) {
        self.ways.clear();
        (self.best, self.cut) = (f32::MIN, f32::MIN);
    }

    fn push(&mut self, way: Way) {
        self.best = self.best.max(way.total);
        self.cut = self.cut.max(self.best - KEPT);
        self.ways.push(way);
        if self.ways.len() >= ROOM * self.options.beam {
            self.thin();
        }
    }

    /// Leaves only the ways that the beam keeps, best first: one for each reading that they lead to, so many for each
    /// node on the board. What is dropped could not be kept later either, since more ways never lower the last that is kept.
    fn thin(&mut self) {
        self.ranks.clear();
        self.ranks.extend(
            self.ways
                .iter()
                .enumerate()
                .filter(|(_, way)| way.total >= self.cut)
                .map(|(i, way)| u64::from(descending(way.total)) << 32 | i as u64),
        );
        self.ranks.sort_unstable();
        self.seen.clear();
        self.crowd.clear();
        self.kept.clear();
        for &rank in &self.ranks {
            let way = self.ways[rank as u32 as usize];
            match self.crowd.entry(way.key.0) {
                // The first reading with a move that none has played before doesn't count among those that follow it.
                Entry::Vacant(first) if new_node(way.key.0) => {
                    first.insert(0);
                }
                there => {
                    let there = there.or_default();
                    if !self.seen.insert(way.key) || *there >= self.options.same_place {
                        continue;
                    }
                    *there += 1;
                }
            }
            self.kept.push(way);
            if self.kept.len() == self.options.beam {
                self.cut = self.cut.max(way.total);
                break;
            }
        }
        std::mem::swap(&mut self.ways, &mut self.kept);
    }
}

/// A number in the opposite order of scores.
fn descending(score: f32) -> u32 {
    let bits = score.to_bits();
    if bits >> 31 == 1 {
        bits
    } else {
        !(bits | 1 << 31)
    }
}

/// Whether the first part of a [`Key`] stands for a node that the forest hasn't got yet.
fn new_node(place: u64) -> bool {
    place >> 63 == 1 && place & 1 == 0
}

/// What a match off the board is for where the phrase is passed over: 2 a clean one, 1 another.
fn elsewhere(quality: u8) -> u8 {
    if quality == 3 { 2 } else { 1 }
}

/// Decodes one lesson; owns the positions and everything that is remembered between events.
pub struct Decoder<'a> {
    /// The lesson's speech.
    pub speech: &'a Speech,
    /// All positions seen.
    pub forest: Forest,
    /// Whether replies that nobody said are filled in. Off: with it, fewer moves of held-out lessons are found so far.
    pub unsaid_replies: bool,
    weights: &'a [f32],
    starts: Vec<(NodeId, usize)>,
    words: Vec<f32>,
    links: Vec<usize>,
    density: usize,
    ask: Ask,
    clarity: usize,
    /// Sums of [`said_features`] for the event entered, by side, piece and what is taken; not a number before they are asked for.
    said: [[[f32; 7]; 6]; 2],
    /// Counts the events that were entered.
    round: u32,
    slots: Vec<Slot>,
    scored: Vec<(Match, f32)>,
    alive: Alive,
    /// In the order of their nodes.
    offers: Vec<Offer>,
    groups: Vec<Group>,
    /// The nodes from the start of the board to a node on it.
    paths: FxHashMap<NodeId, Rc<[NodeId]>>,
    /// By place, whether much was said since the last move, and whether the place was returned to.
    most_of_tree: [[[f32; 2]; 2]; 14],
    unsaid: FxHashMap<(NodeId, usize), Scored>,
    entered: (usize, usize),
    wanted: [Bitboard; 2],
    between: FxHashMap<usize, Rc<Between>>,
    buffer: Vec<Match>,
    spots: Vec<Spot>,
    far: Vec<(f32, Spot)>,
    kids: Vec<(u16, NodeId)>,
}

/// The nodes that some reading may go back to.
#[derive(Debug, Default)]
struct Alive {
    nodes: Vec<NodeId>,
    /// Those that have children.
    parents: Vec<NodeId>,
    by_node: Vec<Living>,
    renewals: u32,
}

#[derive(Debug, Default)]
struct Living {
    /// The renewal at which the node was last among those alive.
    renewal: u32,
    /// The moves from the node that lead to other such nodes, in the order in which they were first played.
    children: Vec<(u16, NodeId)>,
}

impl Alive {
    fn clear(&mut self) {
        for &parent in &self.parents {
            self.by_node[parent as usize].children.clear();
        }
        self.parents.clear();
        self.nodes.clear();
        self.renewals += 1;
    }

    /// Whether the node is new among them.
    fn add(&mut self, forest: &Forest, node: NodeId) -> bool {
        let at = node as usize;
        if self.by_node.len() <= at {
            self.by_node.resize_with(at + 1 + at / 2, Living::default);
        }
        let new = self.by_node[at].renewal != self.renewals;
        if new {
            self.by_node[at].renewal = self.renewals;
            self.nodes.push(node);
            let n = forest.node(node);
            if let Some(parent) = n.parent {
                let children = &mut self.by_node[parent as usize].children;
                if children.is_empty() {
                    self.parents.push(parent);
                }
                let at = children.partition_point(|c| c.1 < node);
                children.insert(at, (n.by, node));
            }
        }
        new
    }

    /// The moves from a node that lead to nodes alive.
    fn children(&self, node: NodeId) -> &[(u16, NodeId)] {
        self.by_node
            .get(node as usize)
            .map_or(&[], |living| &living.children)
    }
}

impl std::fmt::Debug for Decoder<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Decoder")
            .field("events", &self.speech.events.len())
            .field("positions", &self.forest.len())
            .finish_non_exhaustive()
    }
}

impl<'a> Decoder<'a> {
    /// A decoder for one lesson. `starts` are its boards in order; there must be one.
    pub fn new(
        speech: &'a Speech,
        grammar: &'a Grammar,
        model: &'a Model,
        starts: &[Start],
    ) -> Decoder<'a> {
        let mut forest = Forest::new();
        let starts = starts
            .iter()
            .map(|s| (forest.add_root(s.position.clone()), s.from_event))
            .collect();
        let weights = model.weights(is_plain(speech));
        let classes = WordClasses::new(grammar);
        let mut names = Vec::new();
        let words = (0..speech.events.len())
            .map(|k| {
                classes.features(speech, k, &mut names);
                names
                    .iter()
                    .filter_map(|n| model.names.get(n))
                    .map(|&i| model.sparse[i as usize])
                    .sum()
            })
            .collect();
        let ask = Ask {
            retreat: grammar.class("retreat"),
            push: grammar.class("push"),
            standing: grammar.class("standing"),
            number: grammar.class("move_number"),
        };
        Decoder {
            speech,
            forest,
            unsaid_replies: false,
            weights,
            starts,
            words,
            links: (0..speech.events.len())
                .map(|k| classes.link(speech, k))
                .collect(),
            ask,
            clarity: clarity_bucket(speech.clarity),
            density: density_bucket(speech),
            said: [[[f32::NAN; 7]; 6]; 2],
            round: 0,
            slots: Vec::new(),
            scored: Vec::new(),
            alive: Alive::default(),
            offers: Vec::new(),
            groups: Vec::new(),
            paths: FxHashMap::default(),
            most_of_tree: std::array::from_fn(|rel| {
                [false, true].map(|long| {
                    [false, true].map(|returned| most_of_tree(weights, rel, returned, long))
                })
            }),
            unsaid: FxHashMap::default(),
            entered: (usize::MAX, 0),
            wanted: [Bitboard::EMPTY; 2],
            between: FxHashMap::default(),
            buffer: Vec::new(),
            spots: Vec::new(),
            far: Vec::new(),
            kids: Vec::new(),
        }
    }

    /// Names of the word features of an event.
    pub fn words_of(speech: &Speech, grammar: &Grammar, event: usize) -> Vec<String> {
        let mut out = Vec::new();
        WordClasses::new(grammar).features(speech, event, &mut out);
        out
    }

    /// How much the words around an event sound like a move that is played; the log odds that the word features give.
    pub fn words_score(&self, event: usize) -> f32 {
        self.words[event]
    }

    /// The weights that the lesson is read with.
    pub fn weights(&self) -> &'a [f32] {
        self.weights
    }

    /// Root node of each board.
    pub fn roots(&self) -> Vec<NodeId> {
        self.starts.iter().map(|s| s.0).collect()
    }

    /// The reading before the first event.
    pub fn initial(&self) -> State {
        let root = self.starts[0].0;
        let mut told = Told::default();
        told.add(root);
        State {
            told: Rc::new(told),
            cursor: root,
            last: None,
            before: 0,
            forks: [NOWHERE; 4],
            persons: [0; 4],
            boards: 1,
            score: 0.0,
            step: NO_STEP,
        }
    }

    /// Makes ready for what readings may do with an event; those nodes that are alive are looked over.
    fn enter(&mut self, event: usize, limit: usize) {
        if self.entered != (event, limit) {
            self.round += 1;
            self.said = [[[f32::NAN; 7]; 6]; 2];
            self.scored.clear();
            self.unsaid.clear();
            self.between.clear();
            self.entered = (event, limit);
            for turn in Color::ALL {
                self.wanted[turn.fold_wb(0, 1)] = self.speech.events[event]
                    .squares
                    .iter()
                    .map(|r| r.square(turn))
                    .collect();
            }
        }
        self.offers.clear();
        let alive = std::mem::take(&mut self.alive.nodes);
        for &node in &alive {
            let found = self.matched(event, node, Trying::Far);
            if found.counts != 0 {
                self.offers.push(Offer {
                    id: node,
                    node: self.forest.node(node),
                    best: found.best,
                    counts: found.counts,
                });
            }
        }
        self.alive.nodes = alive;
        self.offers.sort_unstable_by_key(|o| o.id);
        self.groups.clear();
        for (i, offer) in self.offers.iter().enumerate() {
            let (word, bit) = (offer.id / 64, 1 << (offer.id % 64));
            match self.groups.last_mut().filter(|g| g.word == word) {
                Some(group) => group.nodes |= bit,
                None => self.groups.push(Group {
                    word,
                    first: i as u32,
                    nodes: bit,
                }),
            }
        }
    }

    /// Leaves those nodes alive that one of these readings may go back to: the lines on their boards, the longest lines, the
    /// places that they returned to and what was told last.
    fn renew(&mut self, beam: &[State]) {
        self.alive.clear();
        self.paths.clear();
        for state in beam {
            let depth = |&node: &NodeId| self.forest.node(node).depth;
            let deepest = state.nodes().iter().copied().max_by_key(depth);
            for end in [Some(state.cursor), deepest] {
                let mut at = end;
                while let Some(node) = at.filter(|&n| self.alive.add(&self.forest, n)) {
                    at = self.forest.node(node).parent;
                }
            }
        }
        for state in beam {
            for &fork in state.forks.iter().filter(|&&f| f != NOWHERE) {
                self.alive.add(&self.forest, fork);
            }
            let order = state.nodes();
            for &node in &order[order.len().saturating_sub(RECENT)..] {
                self.alive.add(&self.forest, node);
            }
        }
    }

    /// The score of a move for a phrase, among all moves that the phrase may mean there.
    fn move_score(&mut self, event: &Event, node: NodeId, found: &Match, all: &[Match]) -> Dot<'a> {
        let mut dot = Dot::new(self.weights);
        let (forest, ask) = (&self.forest, &self.ask);
        move_features(&mut dot, forest, event, node, found, all, self.clarity, ask);
        let turn = forest.turn(node);
        let m = &forest.moves(node)[usize::from(found.index)];
        let (mover, victim) = (m.role as usize - 1, m.victim.map_or(0, |v| v as usize));
        let known = &mut self.said[turn.fold_wb(0, 1)][mover][victim];
        if known.is_nan() {
            let mut said = Dot::new(self.weights);
            said_features(&mut said, event, turn, m.role, m.victim, self.clarity);
            *known = said.sum;
        }
        dot.sum += *known;
        dot
    }

    /// What a node offers for the event entered.
    fn matched(&mut self, event: usize, node: NodeId, trying: Trying) -> Found {
        let at = node as usize;
        if self.slots.len() <= at {
            self.slots
                .resize_with(self.forest.len().max(at + 1), Slot::default);
        }
        if self.slots[at].round != self.round {
            self.slots[at] = Slot {
                round: self.round,
                ..Slot::default()
            };
        }
        if let Some(found) = self.slots[at].found[trying as usize] {
            return found;
        }
        let e = &self.speech.events[event];
        let hopeless = e.kind == Kind::Square
            && trying != Trying::Board
            && e.slots.steps.is_none()
            && (self.forest.targets(node) & self.wanted[self.forest.turn(node).fold_wb(0, 1)])
                .is_empty();
        let found = if hopeless {
            NOTHING
        } else {
            self.find(e, node, trying)
        };
        self.slots[at].found[trying as usize] = Some(found);
        found
    }

    fn find(&mut self, e: &Event, node: NodeId, trying: Trying) -> Found {
        let mut buffer = std::mem::take(&mut self.buffer);
        matches(&self.forest, e, node, trying, &mut buffer);
        // With little trying the same moves may be found as with much.
        let known = self.slots[node as usize].found.iter().flatten();
        let same = known
            .filter(|k| k.range().len() == buffer.len() && e.kind != Kind::Trade)
            .copied()
            .next();
        let found = match same {
            Some(known) => known,
            None if buffer.is_empty() => NOTHING,
            None => {
                let from = self.scored.len();
                for found in &buffer {
                    let score = self.move_score(e, node, found, &buffer).sum;
                    self.scored.push((*found, score));
                }
                if e.kind == Kind::Trade {
                    let plain = self.scored.split_off(from);
                    let traded = self.with_recaptures(node, plain);
                    self.scored.extend(traded);
                }
                let scored = &mut self.scored[from..];
                scored.sort_by(|a, b| b.1.total_cmp(&a.1));
                let (mut best, mut counts) = (NOTHING.best, 0);
                for (rank, (m, score)) in scored.iter().enumerate() {
                    if m.slip {
                        continue;
                    }
                    best = best.max(*score);
                    if rank < self.entered.1 {
                        counts |= elsewhere(m.quality);
                    }
                }
                Found {
                    from: from as u32,
                    to: self.scored.len() as u32,
                    best,
                    counts,
                }
            }
        };
        self.buffer = buffer;
        found
    }

    /// Moves of the phrase behind a reply that nobody said.
    fn matched_behind_unsaid(
        &mut self,
        event: usize,
        node: NodeId,
        last: usize,
        between: &Between,
    ) -> Scored {
        if let Some(found) = self.unsaid.get(&(node, last)) {
            return Rc::clone(found);
        }
        let e = &self.speech.events[event];
        let mut replies = Vec::new();
        unsaid(&self.forest, node, between, &mut replies);
        let mut out: Vec<(Match, f32)> = Vec::new();
        let mut buffer = Vec::new();
        for &reply in &replies {
            let child = self.forest.play(node, reply.0);
            matches(&self.forest, e, child, Trying::Far, &mut buffer);
            for found in buffer.iter().filter(|m| m.quality == 3 && m.cost < 0.7) {
                let mut dot = self.move_score(e, child, found, &buffer);
                unsaid_features(&mut dot, &self.forest, node, reply);
                out.push((
                    Match {
                        fill: Some(reply),
                        ..*found
                    },
                    dot.sum,
                ));
            }
        }
        out.sort_by(|a, b| b.1.total_cmp(&a.1));
        out.truncate(12);
        let out = Rc::new(out);
        self.unsaid.insert((node, last), Rc::clone(&out));
        out
    }

    fn with_recaptures(&mut self, node: NodeId, found: Vec<(Match, f32)>) -> Vec<(Match, f32)> {
        let mut out = Vec::new();
        for (m, score) in found {
            let to = self.forest.moves(node)[usize::from(m.index)].to;
            let victim = self.forest.moves(node)[usize::from(m.index)].victim;
            let child = self.forest.play(node, m.index);
            let mut best: Option<(u16, i32)> = None;
            for (i, r) in self.forest.moves(child).iter().enumerate() {
                if r.to == to && r.victim.is_some() && r.promotion.is_none() {
                    let worth = crate::board::worth(r.role);
                    if best.is_none_or(|b| worth < b.1) {
                        best = Some((i as u16, worth));
                    }
                }
            }
            let equal = victim == Some(self.forest.moves(node)[usize::from(m.index)].role);
            out.push((m, score - f32::from(u8::from(equal)) * 0.5));
            if let Some((second, _)) = best {
                out.push((
                    Match {
                        second: Some(second),
                        ..m
                    },
                    score + if equal { 0.7 } else { 0.0 },
                ));
            }
        }
        out
    }

    fn between(&mut self, state: &State, event: usize) -> Rc<Between> {
        let key = state.last.map_or(usize::MAX, |l| l);
        if let Some(b) = self.between.get(&key) {
            return Rc::clone(b);
        }
        let speech = self.speech;
        let from = state
            .last
            .map_or(0, |l| speech.events[l].phrase_end.max(speech.events[l].end));
        let to = speech.events[event].phrase;
        let mut b = Between::default();
        let mut stops = 0;
        if from <= to {
            b.gap = gap_bucket(to - from);
            let recent = from.max(to.saturating_sub(40));
            for t in &speech.tokens[recent..to] {
                b.cues |= t.classes;
            }
            for t in &speech.tokens[from.min(to)..=to] {
                stops = stops.max(t.stop as usize);
            }
            b.number = (recent..to.saturating_sub(1)).rev().find_map(|j| {
                let (a, n) = (&speech.tokens[j], &speech.tokens[j + 1]);
                (a.classes & self.ask.number != 0)
                    .then(|| n.text.parse().ok())
                    .flatten()
            });
            let full = speech.tokens[from..=to]
                .iter()
                .filter(|t| t.stop == Stop::Full)
                .count();
            if full > 1 {
                stops = 3;
            }
        }
        b.stop = stops;
        let first = state.last.map_or(0, |l| l + 1);
        for e in speech.events[first..event].iter().rev().take(6) {
            b.castles |= e.kind == Kind::Castle;
            let to = match (e.kind, e.squares.first()) {
                (Kind::Square, Some(r)) if r.cost < 0.7 => Some(r.white),
                (Kind::Castle, _) => None,
                _ => continue,
            };
            let role = e.slots.mover.filter(|m| m.1 <= 3).map(|m| m.0);
            b.named.push(Named {
                role: role.filter(|_| to.is_some()),
                to,
                relation: e.slots.relation,
            });
        }
        for rel in 0..b.shared.len() {
            let mut dot = Dot::new(self.weights);
            shared_features(&b, rel, |f| dot.add(f));
            b.shared[rel] = dot.sum;
        }
        b.anywhere = [f32::MIN; 2];
        let mut bounds = b.most;
        for (rel, most) in bounds.iter_mut().enumerate() {
            let named = most_of_named(self.weights, &b, rel);
            let [short, long] = &self.most_of_tree[rel];
            let tree = if b.gap > 2 { long } else { short };
            for same_side in [0, 1] {
                let side = most_of_side(self.weights, rel, same_side == 1);
                for returned in [0, 1] {
                    most[same_side][returned] = b.shared[rel] + named + side + tree[returned];
                    if (1..13).contains(&rel) {
                        b.anywhere[same_side] =
                            b.anywhere[same_side].max(most[same_side][returned]);
                    }
                }
            }
        }
        b.most = bounds;
        let b = Rc::new(b);
        self.between.insert(key, Rc::clone(&b));
        b
    }

    /// Where a node of the tree lies, seen from the end of a path; `None` on another board.
    fn place_of(&self, id: NodeId, node: &Node, path: &[NodeId]) -> Option<Place> {
        let (depth, cursor) = (path.len() - 1, path[path.len() - 1]);
        let below = usize::from(node.depth).checked_sub(depth);
        if node.root != path[0] {
            return None;
        }
        let rel = match below {
            _ if path.get(usize::from(node.depth)) == Some(&id) => {
                let back = depth - usize::from(node.depth);
                return Some(Place::ancestor(back as u16, node.parent.is_none()));
            }
            None | Some(0) => 12,
            Some(1) if node.parent == Some(cursor) => 10,
            Some(below) => {
                let mut up = id;
                for _ in 0..below {
                    up = self.forest.node(up).parent?;
                }
                if up == cursor { 11 } else { 12 }
            }
        };
        Some(Place {
            rel,
            distance: below.unwrap_or(0) as u16,
        })
    }

    /// The nodes from the start of the board to a node.
    fn path_to(&mut self, cursor: NodeId) -> Rc<[NodeId]> {
        if let Some(known) = self.paths.get(&cursor) {
            return Rc::clone(known);
        }
        let forest = &self.forest;
        let mut path = vec![cursor; usize::from(forest.node(cursor).depth) + 1];
        let mut at = cursor;
        while let Some(parent) = forest.node(at).parent {
            at = parent;
            path[usize::from(forest.node(at).depth)] = at;
        }
        let path: Rc<[NodeId]> = path.into();
        self.paths.insert(cursor, Rc::clone(&path));
        path
    }

    /// Everything that a reading can do with an event, with scores; `sink` sees the features of each.
    fn expand<F: FnMut(&Decoder<'a>, Action, f32, &mut dyn FnMut(&mut Collect))>(
        &mut self,
        state: &State,
        event: usize,
        limit: usize,
        least: f32,
        mut take: F,
    ) {
        let speech = self.speech;
        let e = &speech.events[event];
        let between = self.between(state, event);
        let (near, before_kind, overlap) = match event.checked_sub(1) {
            Some(j) => {
                let p = &speech.events[j];
                (
                    near_bucket(e.phrase.saturating_sub(p.end)),
                    p.kind as usize,
                    e.phrase < p.phrase_end.max(p.end),
                )
            }
            None => (5, 0, false),
        };
        let last_turn = state.last.map(|_| !self.forest.turn(state.cursor));
        let moment = Moment {
            between: &between,
            before: state.before,
            near,
            before_kind,
            link: self.links[event],
            density: self.density,
            overlap: overlap && state.before == 2,
            persons: state.persons,
            last_turn,
        };
        // A board that has its own start forces the talk on to it.
        let forced = self
            .starts
            .get(state.boards)
            .filter(|s| event >= s.1 && s.1 != usize::MAX && self.starts.len() > 1 && s.1 > 0)
            .copied();
        let here = forced.map_or(state.cursor, |(root, _)| root);
        let path = self.path_to(state.cursor);
        let mut spots = std::mem::take(&mut self.spots);
        spots.clear();
        let bounds = Bounds {
            between: &between,
            moment: [true, false].map(|on_board| {
                Color::ALL.map(|turn| {
                    let mut dot = Dot::new(self.weights);
                    moment_features(&mut dot, e, &moment, on_board, turn);
                    self.words[event] + dot.sum
                })
            }),
            last_turn,
        };
        let mut best_here: (u8, usize) = (0, 9);
        let mut elsewhere = 0;
        let new_board = |node| Spot {
            node,
            place: Place {
                rel: 13,
                distance: 99,
            },
            fork: 0,
            trying: Trying::Board,
        };
        match forced {
            Some((root, _)) => spots.push(new_board(root)),
            None => {
                spots.push(Spot {
                    node: state.cursor,
                    place: Place::ancestor(0, false),
                    fork: state.fork(state.cursor),
                    trying: Trying::Board,
                });
                let next = self.starts.get(state.boards).filter(|s| event >= s.1);
                spots.extend(next.map(|s| new_board(s.0)));
            }
        }
        for spot in &spots {
            let found = self.matched(event, spot.node, Trying::Board);
            for (m, _) in &self.scored[found.range()] {
                if m.quality > best_here.0 {
                    best_here = (m.quality, (m.cost * 2.0) as usize);
                }
            }
        }
        if forced.is_none() {
            let least = least - PASS_LEAST;
            elsewhere = self.look_around(state, event, least, &bounds, &path, &mut spots);
        }
        let passing = Passing {
            cursor: here,
            best: best_here.0,
            cost: best_here.1,
            elsewhere,
            repeat: between
                .named
                .iter()
                .filter(|n| e.squares.first().is_some_and(|r| Some(r.white) == n.to))
                .count(),
        };
        let (clarity, ask) = (self.clarity, self.ask);
        let mut dot = Dot::new(self.weights);
        none_features(&mut dot, &self.forest, e, &moment, &passing, clarity, &ask);
        // What is found on the board and near it adds to the score of passing over. Were it all counted, a reading that
        // lost the thread would gain by finding nothing.
        let share = PASS_SHARE * dot.sum;
        let least = least + share;
        take(
            self,
            Action::Pass,
            dot.sum - share,
            &mut |sink: &mut Collect| {
                none_features(sink, &self.forest, e, &moment, &passing, clarity, &ask);
            },
        );
        let mut kids = std::mem::take(&mut self.kids);
        for spot in &spots {
            let &Spot {
                node,
                place,
                fork,
                trying,
            } = spot;
            let on_board = trying == Trying::Board;
            let most_here = bounds.most(place, fork > 0, self.forest.turn(node));
            let found = self.matched(event, node, trying);
            if !on_board && found.best + most_here < least {
                continue;
            }
            let tried = if place.rel == 0 { 16 } else { limit };
            let clean = |(m, _): &(Match, f32)| m.quality == 3 && m.cost < 1.0;
            let mut ways = found.range();
            ways.end = ways.end.min(ways.start + tried);
            if self.unsaid_replies
                && place.rel == 0
                && !self.scored[found.range()].iter().any(clean)
                && matches!(e.kind, Kind::Square | Kind::Castle | Kind::Capture)
            {
                let last = state.last.map_or(0, |l| l + 1);
                let behind = self.matched_behind_unsaid(event, node, last, &between);
                let from = self.scored.len();
                self.scored.extend_from_within(ways);
                self.scored.extend(behind.iter().take(limit.max(4)));
                ways = from..self.scored.len();
            }
            kids.clear();
            kids.extend(
                self.alive
                    .children(node)
                    .iter()
                    .filter(|c| state.has(c.1))
                    .copied(),
            );
            let child_named = kids
                .iter()
                .any(|&(_, c)| self.forest.incoming(c).is_some_and(|i| between.names(i)));
            let related = between.related();
            let child_related = related.is_some_and(|n| {
                kids.iter()
                    .any(|&(_, c)| self.forest.incoming(c).is_some_and(|i| n.fits(i)))
            });
            for way in ways {
                let (m, score) = self.scored[way];
                if m.slip && !on_board {
                    continue;
                }
                if m.fill.is_none() && score + most_here < least {
                    continue;
                }
                let forest = &self.forest;
                let source = m
                    .fill
                    .map_or(node, |f| forest.child(node, f.0).unwrap_or(node));
                let edge = match m.fill {
                    None => kids.iter().any(|k| k.0 == m.index),
                    Some(_) => forest.child(source, m.index).is_some_and(|c| state.has(c)),
                };
                let going = Going {
                    node,
                    place,
                    play: &forest.moves(source)[usize::from(m.index)],
                    edge,
                    children: kids.len(),
                    fork,
                    replaced: kids
                        .last()
                        .and_then(|&(_, c)| forest.incoming(c))
                        .filter(|_| !edge),
                    child_named,
                    child_related,
                };
                let mover = self.forest.turn(source);
                let mut dot = Dot::new(self.weights);
                place_features(&mut dot, forest, &moment, &going);
                let total = score + dot.sum + bounds.moment(place, mover);
                debug_assert!(m.fill.is_some() || total <= score + most_here);
                let total = total - share;
                let action = Action::Play {
                    from: node,
                    found: m,
                    place,
                };
                let clarity = self.clarity;
                let ask = self.ask;
                take(self, action, total, &mut |sink: &mut Collect| {
                    let mut all = Vec::new();
                    let trying = m.fill.map_or(trying, |_| Trying::Far);
                    matches(forest, e, source, trying, &mut all);
                    said_features(sink, e, mover, going.play.role, going.play.victim, clarity);
                    move_features(sink, forest, e, source, &m, &all, clarity, &ask);
                    if let Some(reply) = m.fill {
                        unsaid_features(sink, forest, node, reply);
                    }
                    place_features(sink, forest, &moment, &going);
                    moment_features(sink, e, &moment, place.rel == 0, mover);
                });
            }
        }
        self.kids = kids;
        self.spots = spots;
    }

    /// Adds the places off the board that have a move which may get to `least`. Returns 2 where any of them has a clean match,
    /// else 1 where any has another, else 0.
    fn look_around(
        &mut self,
        state: &State,
        event: usize,
        least: f32,
        bounds: &Bounds,
        path: &[NodeId],
        spots: &mut Vec<Spot>,
    ) -> u8 {
        let near = match self.speech.events[event].kind {
            Kind::Piece => 2,
            _ => 4,
        };
        let depth = path.len() - 1;
        let mut counts = 0;
        let mut close = |decoder: &mut Self, node: NodeId, place: Place, fork: usize| {
            let found = decoder.matched(event, node, Trying::Near);
            counts |= found.counts;
            if found.best + bounds.most(place, fork > 0, decoder.forest.turn(node)) >= least {
                spots.push(Spot {
                    node,
                    place,
                    fork,
                    trying: Trying::Near,
                });
            }
        };
        for back in 1..=near.min(depth) {
            let node = path[depth - back];
            let place = Place::ancestor(back as u16, back == depth);
            if place.rel <= near {
                close(self, node, place, state.fork(node));
            }
        }
        for (rank, &node) in state.forks.iter().enumerate() {
            if node == NOWHERE || node == state.cursor {
                continue;
            }
            let place = self.place_of(node, &self.forest.node(node), path);
            if let Some(place) = place.filter(|p| p.rel > near && p.rel < 12) {
                close(self, node, place, (rank + 1).min(3));
            }
        }
        let low = least - bounds.anywhere();
        for group in &self.groups {
            let mut held = state.told.among(group.word as usize, group.nodes);
            while held != 0 {
                let bit = held & held.wrapping_neg();
                held ^= bit;
                let at = group.first as usize + (group.nodes & (bit - 1)).count_ones() as usize;
                let offer = self.offers[at];
                if (offer.best < low && counts & offer.counts == offer.counts)
                    || offer.id == state.cursor
                {
                    continue;
                }
                let Some(place) = self.place_of(offer.id, &offer.node, path) else {
                    continue;
                };
                let fork = state.fork(offer.id);
                if (1..=near).contains(&place.rel) || (fork > 0 && place.rel < 12) {
                    continue;
                }
                counts |= offer.counts;
                let most = offer.best + bounds.most(place, fork > 0, offer.node.turn);
                if most >= least {
                    let spot = Spot {
                        node: offer.id,
                        place,
                        fork,
                        trying: Trying::Far,
                    };
                    self.far.push((most, spot));
                }
            }
        }
        let by_most = |a: &(f32, Spot), b: &(f32, Spot)| b.0.total_cmp(&a.0);
        // Without a floor all ways on are asked for.
        if self.far.len() > FAR && least > f32::MIN {
            self.far.select_nth_unstable_by(FAR, by_most);
            self.far.truncate(FAR);
        }
        spots.extend(self.far.drain(..).map(|f| f.1));
        counts.min(2)
    }

    /// The ways on from a state with their dense features; word features belong to every play alike.
    pub fn candidates(&mut self, state: &State, event: usize) -> Vec<(Candidate, Collect)> {
        let mut out = Vec::new();
        self.renew(std::slice::from_ref(state));
        self.enter(event, 6);
        self.expand(state, event, 6, f32::MIN, |_, action, score, features| {
            let mut collect = Collect::default();
            features(&mut collect);
            out.push((Candidate { action, score }, collect));
        });
        out
    }

    /// The state after an action.
    pub fn apply(&mut self, state: &State, event: usize, action: Action, score: f32) -> State {
        let mut next = state.clone();
        next.score += score;
        match action {
            Action::Pass => next.before = 1,
            Action::Play { from, found, place } => {
                if place.rel == 13 && !state.has(from) {
                    self.add(&mut next, from);
                    next.boards += 1;
                }
                if place.rel != 0 && next.forks[0] != from {
                    let at = next.forks.iter().position(|&f| f == from).unwrap_or(3);
                    next.forks[..=at].rotate_right(1);
                    next.forks[0] = from;
                }
                let mut source = from;
                if let Some((reply, _)) = found.fill {
                    source = self.forest.play(from, reply);
                    self.add(&mut next, source);
                }
                let turn = self.forest.turn(source);
                let mut node = self.forest.play(source, found.index);
                self.add(&mut next, node);
                if let Some(second) = found.second {
                    node = self.forest.play(node, second);
                    self.add(&mut next, node);
                }
                next.cursor = node;
                next.before = 2;
                next.last = Some(event);
                let person = usize::from(self.speech.events[event].slots.person);
                if person > 0 {
                    let step = if turn == Color::White { 1 } else { -1 };
                    next.persons[person] = (next.persons[person] + step).clamp(-9, 9);
                }
            }
        }
        next
    }

    fn add(&mut self, state: &mut State, node: NodeId) {
        if !state.has(node) {
            Rc::make_mut(&mut state.told).add(node);
            self.alive.add(&self.forest, node);
        }
    }

    /// What tells the reading behind an action from others. Readings that differ only in asides told long ago are one.
    fn merge_key(&self, state: &State, event: usize, action: &Action) -> Key {
        match action {
            Action::Pass => (
                u64::from(state.cursor),
                state.last.map_or(0, |l| l + 1),
                state.forks[0],
                state.forks[1],
            ),
            Action::Play { from, found, place } => {
                let source = match found.fill {
                    Some((reply, _)) => self.forest.child(*from, reply).unwrap_or(*from),
                    None => *from,
                };
                let at = match self.forest.child(source, found.index) {
                    Some(child) if found.second.is_none() => u64::from(child),
                    _ => {
                        1 << 63
                            | u64::from(source) << 20
                            | u64::from(found.index) << 4
                            | u64::from(found.second.is_some())
                    }
                };
                let forks = if place.rel != 0 && state.forks[0] != *from {
                    (*from, state.forks[0])
                } else {
                    (state.forks[0], state.forks[1])
                };
                (at, event + 1, forks.0, forks.1)
            }
        }
    }

    /// Reads the whole lesson. `watch` sees the beam after each event and may stop the search by returning false.
    pub fn search<W: FnMut(usize, &[State], &[Step]) -> bool>(
        &mut self,
        options: Options,
        mut watch: W,
    ) -> Outcome {
        let mut beam = vec![self.initial()];
        let mut record: Vec<Step> = Vec::new();
        let mut pool = Pool::new(options);
        for event in 0..self.speech.events.len() {
            pool.clear();
            if event % RENEWED == 0 {
                self.renew(&beam);
            }
            self.enter(event, 3);
            for (index, state) in beam.iter().enumerate() {
                let base = state.score;
                let least = pool.cut - base;
                self.expand(state, event, 3, least, |decoder, action, score, _| {
                    let total = base + score;
                    if total > pool.cut {
                        pool.push(Way {
                            total,
                            index,
                            action,
                            score,
                            key: decoder.merge_key(state, event, &action),
                        });
                    }
                });
            }
            pool.thin();
            let mut next: Vec<State> = Vec::with_capacity(options.beam);
            for way in &pool.ways {
                let from = &beam[way.index];
                let mut state = self.apply(from, event, way.action, way.score);
                record.push(Step {
                    previous: from.step,
                    event: event as u32,
                    action: way.action,
                    cursor: state.cursor,
                    score: way.score,
                });
                state.step = record.len() as u32 - 1;
                next.push(state);
            }
            beam = next;
            if !watch(event, &beam, &record) {
                break;
            }
        }
        let best = beam[0].clone();
        let path = Self::trace(&record, best.step);
        Outcome {
            best,
            beam,
            path,
            record,
        }
    }

    /// The steps that led to a state, first to last.
    pub fn trace(record: &[Step], step: u32) -> Vec<Step> {
        let mut path = Vec::new();
        let mut at = step;
        while at != NO_STEP {
            path.push(record[at as usize]);
            at = record[at as usize].previous;
        }
        path.reverse();
        path
    }
}
