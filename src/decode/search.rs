//! The beam search.

use std::cell::RefCell;
use std::collections::hash_map::Entry;
use std::rc::Rc;

use rustc_hash::{FxHashMap, FxHashSet};
use shakmaty::{Bitboard, Chess, Color};

use super::features::{
    Ask, Between, Going, Match, Moment, Named, Passing, Place, clarity_bucket, density_bucket,
    gap_bucket, matches, most_of_moment, most_of_named, most_of_side, most_of_tree, move_features,
    near_bucket, none_features, place_features, shared_features, unsaid, unsaid_features,
};
use super::model::{Collect, Dot, Model, Sink};
use super::words::WordClasses;
use crate::board::{Forest, NodeId};
use crate::grammar::Grammar;
use crate::speech::{Event, Kind, Relation, Speech, Stop};

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
    /// A beam of this width, of which a quarter may have the same node on the board.
    pub fn of_beam(beam: usize) -> Options {
        Options {
            beam,
            same_place: beam.div_ceil(4),
        }
    }
}

impl Default for Options {
    fn default() -> Options {
        Options::of_beam(300)
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
pub struct Told {
    /// In the order in which they were told, starts included.
    order: Vec<NodeId>,
    /// The same as a set, a bit a node.
    held: Vec<u64>,
}

impl Told {
    /// Whether the tree has a node.
    pub fn has(&self, node: NodeId) -> bool {
        self.held
            .get(node as usize / 64)
            .is_some_and(|word| word >> (node % 64) & 1 == 1)
    }

    fn add(&mut self, node: NodeId) {
        let word = node as usize / 64;
        if self.held.len() <= word {
            self.held.resize(word + 1, 0);
        }
        self.held[word] |= 1 << (node % 64);
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
    pub fn has(&self, node: NodeId) -> bool {
        self.told.has(node)
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

/// Scores of the moves at one node for one event.
type Scored = Rc<Vec<(Match, f32)>>;

/// What is known of one node for one event.
#[derive(Debug, Clone, Default)]
struct Slot {
    /// Event that it is of, plus one.
    stamp: usize,
    /// Moves found with little and with much trying.
    scored: [Option<Scored>; 2],
}

/// What a node off the board offers for one event, whatever the reading.
#[derive(Debug, Clone, Copy)]
struct Reach {
    /// Best score of a move, slips aside; not a number before it is asked for.
    best: f32,
    /// Plies from the start of the board.
    depth: u16,
    /// The side to move: 0 White, 1 Black.
    turn: u8,
    /// Whether there are unclean (1) and clean (2) matches, with little and with much trying.
    counts: [u8; 2],
}

/// What is not yet known.
const UNKNOWN: Reach = Reach {
    best: f32::NAN,
    depth: 0,
    turn: 0,
    counts: [0; 2],
};

/// No move for the phrase.
const NOTHING: Reach = Reach {
    best: f32::NEG_INFINITY,
    ..UNKNOWN
};

/// The least that a node's best move must score for a reading to go there.
struct Floors {
    /// Any node off the board.
    anywhere: f32,
    /// Nodes that don't lie on the way to the board, by the side to move.
    aside: [f32; 2],
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
const KEPT: f32 = 12.0;

/// Ways on collected while an event is tried, in beams, before those that can't be kept are dropped.
const ROOM: usize = 2;

/// How much of the score of passing over a phrase is taken from all that a reading may do with it. Tried on lessons that
/// the fit had not seen: 0, 0.3, 0.5, 0.7, 1.
const PASS_SHARE: f32 = 0.7;

/// How far below nothing that share is reckoned with before it is known.
const PASS_LEAST: f32 = 2.0;

/// What the scores that pruning compares may differ by for the order in which they were summed.
const SLACK: f32 = 1e-3;

/// Nodes told last that a phrase may go back to, besides the line on the board and the places returned to.
const RECENT: usize = 200;

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
    model: &'a Model,
    starts: Vec<(NodeId, usize)>,
    words: Vec<f32>,
    links: Vec<usize>,
    density: usize,
    ask: Ask,
    clarity: usize,
    slots: Vec<Slot>,
    reach: Vec<Reach>,
    reached: Vec<NodeId>,
    /// By place, whether much was said since the last move, and whether the place was returned to.
    most_of_tree: [[[f32; 2]; 2]; 14],
    unsaid: FxHashMap<(NodeId, usize), Scored>,
    entered: (usize, usize),
    wanted: [Bitboard; 2],
    between: FxHashMap<usize, Rc<Between>>,
    nothing: Scored,
    buffer: RefCell<Vec<Match>>,
    spare: Spare,
}

/// Buffers used again for each state.
#[derive(Debug, Default)]
struct Spare {
    path: Vec<NodeId>,
    places: Vec<NodeId>,
    kids: Vec<(u16, NodeId)>,
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
            model,
            starts,
            words,
            links: (0..speech.events.len())
                .map(|k| classes.link(speech, k))
                .collect(),
            ask,
            clarity: clarity_bucket(speech.clarity),
            density: density_bucket(speech),
            slots: Vec::new(),
            reach: Vec::new(),
            reached: Vec::new(),
            most_of_tree: std::array::from_fn(|rel| {
                [false, true].map(|long| {
                    [false, true].map(|returned| most_of_tree(&model.dense, rel, returned, long))
                })
            }),
            unsaid: FxHashMap::default(),
            entered: (usize::MAX, 0),
            wanted: [Bitboard::EMPTY; 2],
            between: FxHashMap::default(),
            nothing: Rc::default(),
            buffer: RefCell::default(),
            spare: Spare::default(),
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

    fn enter(&mut self, event: usize, limit: usize) {
        if self.entered != (event, limit) {
            self.unsaid.clear();
            self.between.clear();
            for &node in &self.reached {
                self.reach[node as usize] = UNKNOWN;
            }
            self.reached.clear();
            self.entered = (event, limit);
            for turn in Color::ALL {
                self.wanted[usize::from(turn == Color::Black)] = self.speech.events[event]
                    .squares
                    .iter()
                    .map(|r| r.square(turn))
                    .collect();
            }
        }
    }

    fn slot(&mut self, event: usize, node: NodeId) -> &mut Slot {
        let at = node as usize;
        if self.slots.len() <= at {
            self.slots
                .resize_with(self.forest.len().max(at + 1), Slot::default);
        }
        let slot = &mut self.slots[at];
        if slot.stamp != event + 1 {
            *slot = Slot {
                stamp: event + 1,
                ..Slot::default()
            };
        }
        slot
    }

    /// What a node offers for the event entered, seen from elsewhere.
    fn reach(&mut self, node: NodeId) -> Reach {
        let at = node as usize;
        if self.reach.len() <= at {
            self.reach.resize(self.forest.len().max(at + 1), UNKNOWN);
        }
        if !self.reach[at].best.is_nan() {
            return self.reach[at];
        }
        let (event, limit) = self.entered;
        let turn = usize::from(self.forest.turn(node) == Color::Black);
        let e = &self.speech.events[event];
        let hopeless = e.kind == Kind::Square
            && e.slots.steps.is_none()
            && (self.forest.targets(node) & self.wanted[turn]).is_empty();
        let mut reach = Reach {
            depth: self.forest.node(node).depth,
            turn: turn as u8,
            ..NOTHING
        };
        if !hopeless {
            for near in [true, false] {
                let found = self.matched(event, node, near);
                let counts = &mut reach.counts[usize::from(near)];
                for (rank, (m, score)) in found.iter().enumerate() {
                    if m.slip {
                        continue;
                    }
                    reach.best = reach.best.max(*score);
                    if rank < limit {
                        *counts |= elsewhere(m.quality);
                    }
                }
            }
        }
        self.reach[at] = reach;
        self.reached.push(node);
        reach
    }

    /// The score of a move for a phrase, among all moves that the phrase may mean there.
    fn move_score(&self, event: &Event, node: NodeId, found: &Match, all: &[Match]) -> Dot<'a> {
        let mut dot = Dot {
            weights: &self.model.dense,
            sum: 0.0,
        };
        let (forest, ask) = (&self.forest, &self.ask);
        move_features(&mut dot, forest, event, node, found, all, self.clarity, ask);
        dot
    }

    fn matched(&mut self, event: usize, node: NodeId, near: bool) -> Scored {
        if let Some(found) = &self.slot(event, node).scored[usize::from(near)] {
            return Rc::clone(found);
        }
        let e = &self.speech.events[event];
        let mut buffer = self.buffer.borrow_mut();
        matches(&self.forest, e, node, near, &mut buffer);
        // With little trying the same moves may be found as with much, less some: often none.
        let known = self.slots[node as usize].scored[usize::from(!near)].as_ref();
        if let Some(known) = known.filter(|k| k.len() == buffer.len() && e.kind != Kind::Trade) {
            let known = Rc::clone(known);
            drop(buffer);
            self.slot(event, node).scored[usize::from(near)] = Some(Rc::clone(&known));
            return known;
        }
        let mut out: Vec<(Match, f32)> = Vec::with_capacity(buffer.len());
        for found in buffer.iter() {
            out.push((*found, self.move_score(e, node, found, &buffer).sum));
        }
        drop(buffer);
        if e.kind == Kind::Trade {
            out = self.with_recaptures(node, out);
        }
        out.sort_by(|a, b| b.1.total_cmp(&a.1));
        let out = if out.is_empty() {
            Rc::clone(&self.nothing)
        } else {
            Rc::new(out)
        };
        self.slot(event, node).scored[usize::from(near)] = Some(Rc::clone(&out));
        out
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
            matches(&self.forest, e, child, false, &mut buffer);
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
            let mut dot = Dot {
                weights: &self.model.dense,
                sum: 0.0,
            };
            shared_features(&b, rel, |f| dot.add(f));
            b.shared[rel] = dot.sum;
        }
        b.anywhere = [f32::MIN; 2];
        b.aside = [f32::MIN; 2];
        let mut bounds = b.most;
        for (rel, most) in bounds.iter_mut().enumerate() {
            let named = most_of_named(&self.model.dense, &b, rel);
            let [short, long] = &self.most_of_tree[rel];
            let tree = if b.gap > 2 { long } else { short };
            for same_side in [0, 1] {
                let side = most_of_side(&self.model.dense, rel, same_side == 1);
                for returned in [0, 1] {
                    most[same_side][returned] = b.shared[rel] + named + side + tree[returned];
                    if (10..13).contains(&rel) {
                        b.aside[same_side] = b.aside[same_side].max(most[same_side][returned]);
                    }
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

    /// Puts the nodes from the start of the board to a node into a path.
    fn path_to(&self, cursor: NodeId, path: &mut Vec<NodeId>) {
        let forest = &self.forest;
        path.clear();
        path.resize(usize::from(forest.node(cursor).depth) + 1, NOWHERE);
        let mut at = Some(cursor);
        while let Some(node) = at {
            path[usize::from(forest.node(node).depth)] = node;
            at = forest.node(node).parent;
        }
    }

    /// Where a node of the tree lies, seen from the end of a path; `None` on another board.
    fn place_of(&self, node: NodeId, path: &[NodeId]) -> Option<Place> {
        let forest = &self.forest;
        let depth = path.len() - 1;
        let on_path = |n: NodeId| path.get(usize::from(forest.node(n).depth)) == Some(&n);
        let n = forest.node(node);
        if n.root != path[0] {
            return None;
        }
        if on_path(node) {
            return Some(Place::ancestor(
                (depth - usize::from(n.depth)) as u16,
                n.parent.is_none(),
            ));
        }
        if n.parent == Some(path[depth]) {
            return Some(Place {
                rel: 10,
                distance: 1,
            });
        }
        let mut up = n.parent;
        let mut distance = 1u16;
        while let Some(u) = up {
            if on_path(u) {
                return Some(Place {
                    rel: if u == path[depth] { 11 } else { 12 },
                    distance,
                });
            }
            distance += 1;
            up = forest.node(u).parent;
        }
        None
    }

    /// Puts into `places` the node on the board, then the other nodes of a reading's tree that have a move which may get to
    /// its floor, in the order in which they were told. Returns whether the other nodes have unclean (1) and clean (2) matches
    /// with little trying.
    fn reachable(
        &mut self,
        state: &State,
        floors: &Floors,
        path: &[NodeId],
        places: &mut Vec<NodeId>,
    ) -> u8 {
        self.reach
            .resize(self.forest.len().max(self.reach.len()), UNKNOWN);
        let boards = self.starts.len() > 1;
        let order = state.nodes();
        let recent = order.len().saturating_sub(RECENT);
        let low = floors.anywhere.max(f32::MIN);
        let mut counts = 0;
        // The node on the board is no other place.
        let cursor = std::mem::replace(&mut self.reach[state.cursor as usize], NOTHING);
        for &node in &order[recent..] {
            // Most places have no move for the phrase at all, or none that can be kept: they cost no more than this.
            let reach = &self.reach[node as usize];
            if boards && self.forest.node(node).root != path[0] {
                continue;
            }
            counts |= reach.counts[0];
            if reach.best >= low || reach.best.is_nan() {
                places.push(node);
            }
        }
        if recent > 0 {
            let told = places.len();
            for &node in path.iter().chain(&state.forks) {
                if node == NOWHERE || !state.has(node) {
                    continue;
                }
                let reach = &self.reach[node as usize];
                if boards && self.forest.node(node).root != path[0] {
                    continue;
                }
                counts |= reach.counts[0];
                let open = reach.best >= low || reach.best.is_nan();
                if open && !places.contains(&node) {
                    places.push(node);
                }
            }
            let older = places.len() - told;
            places.rotate_right(older);
            places[..older].sort_unstable();
        }
        places.retain(|&node| {
            let reach = self.reach(node);
            counts |= reach.counts[0];
            reach.best >= low
                && (reach.best >= floors.aside[usize::from(reach.turn)]
                    || path.get(usize::from(reach.depth)) == Some(&node))
        });
        self.reach[state.cursor as usize] = cursor;
        places.insert(0, state.cursor);
        counts
    }

    /// Whether the places near a reading's board, where more is tried, have unclean (1) and clean (2) matches.
    fn near_by(&mut self, state: &State, kind: Kind, path: &[NodeId]) -> u8 {
        let mut counts = 0;
        let near = if kind == Kind::Piece { 2 } else { 4 };
        let forks = state.forks.iter().filter(|&&f| f != NOWHERE);
        for &node in path.iter().rev().skip(1).take(near).chain(forks) {
            if node == state.cursor || !state.has(node) {
                continue;
            }
            let close = |place: Place| {
                let returned = state.forks.contains(&node) && place.rel < 12;
                (1..=near).contains(&place.rel) || returned
            };
            let reach = self.reach(node);
            if reach.counts[1] & !counts != 0 && self.place_of(node, path).is_some_and(close) {
                counts |= reach.counts[1];
            }
        }
        counts
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
        self.enter(event, limit);
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
        let mut spare = std::mem::take(&mut self.spare);
        let Spare { path, places, kids } = &mut spare;
        self.path_to(state.cursor, path);
        // The most that a move may get besides its own score.
        let moment_most = [true, false].map(|on_board| {
            Color::ALL.map(|turn| {
                let most = most_of_moment(&self.model.dense, e, &moment, on_board, turn);
                self.words[event] + most + SLACK
            })
        });
        let most = |place: Place, returned: bool, turn: Color| {
            let same_side = usize::from(last_turn == Some(turn));
            between.most[place.rel][same_side][usize::from(returned)]
                + moment_most[usize::from(place.rel != 0)][turn.fold_wb(0, 1)]
        };
        let floor = |most: [f32; 2]| {
            Color::ALL.map(|turn| {
                let same_side = usize::from(last_turn == Some(turn));
                least - PASS_LEAST - most[same_side] - moment_most[1][turn.fold_wb(0, 1)]
            })
        };
        let anywhere = floor(between.anywhere);
        let floors = Floors {
            anywhere: anywhere[0].min(anywhere[1]),
            aside: floor(between.aside),
        };
        places.clear();
        let mut elsewhere = 0;
        match forced {
            Some((root, _)) => places.push(root),
            None => {
                elsewhere = self.reachable(state, &floors, path, places);
                places.extend(
                    self.starts
                        .get(state.boards)
                        .filter(|s| event >= s.1)
                        .map(|s| s.0),
                );
            }
        }
        let mut best_here: (u8, usize) = (0, 9);
        for &node in places.iter() {
            if node == state.cursor || !state.has(node) {
                for (m, _) in self.matched(event, node, true).iter() {
                    if m.quality > best_here.0 {
                        best_here = (m.quality, (m.cost * 2.0) as usize);
                    }
                }
            }
        }
        if elsewhere < 2 && forced.is_none() {
            elsewhere |= self.near_by(state, e.kind, path);
        }
        let passing = Passing {
            cursor: here,
            best: best_here.0,
            cost: best_here.1,
            elsewhere: elsewhere.min(2),
            repeat: between
                .named
                .iter()
                .filter(|n| e.squares.first().is_some_and(|r| Some(r.white) == n.to))
                .count(),
        };
        let (clarity, ask) = (self.clarity, self.ask);
        let mut dot = Dot {
            weights: &self.model.dense,
            sum: 0.0,
        };
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
        for &node in places.iter() {
            let place = if state.has(node) {
                match self.place_of(node, path) {
                    Some(place) => place,
                    None => continue,
                }
            } else {
                Place {
                    rel: 13,
                    distance: 99,
                }
            };
            let fork = state
                .forks
                .iter()
                .position(|&f| f == node)
                .map_or(0, |p| (p + 1).min(3));
            let on_board = place.rel == 0 || place.rel == 13;
            let near_place = on_board
                || (place.rel <= 4 && e.kind != Kind::Piece)
                || (1..=2).contains(&place.rel)
                || (fork > 0 && place.rel < 12);
            let most_here = most(place, fork > 0, self.forest.turn(node));
            if !on_board && self.reach(node).best + most_here < least {
                continue;
            }
            let found = self.matched(event, node, near_place);
            let tried = if place.rel == 0 { 16 } else { limit };
            let clean = found.iter().any(|(m, _)| m.quality == 3 && m.cost < 1.0);
            let behind = if self.unsaid_replies
                && place.rel == 0
                && !clean
                && matches!(e.kind, Kind::Square | Kind::Castle | Kind::Capture)
            {
                self.matched_behind_unsaid(event, node, state.last.map_or(0, |l| l + 1), &between)
            } else {
                Rc::clone(&self.nothing)
            };
            kids.clear();
            kids.extend(
                self.forest
                    .children(node)
                    .iter()
                    .filter(|c| state.has(c.1))
                    .copied(),
            );
            let child_named = kids
                .iter()
                .any(|&(_, c)| self.forest.incoming(c).is_some_and(|i| between.names(i)));
            let related = between.named.iter().find(|n| n.relation != Relation::None);
            let child_related = related.is_some_and(|n| {
                kids.iter()
                    .any(|&(_, c)| self.forest.incoming(c).is_some_and(|i| n.fits(i)))
            });
            for (m, score) in found
                .iter()
                .take(tried)
                .chain(behind.iter().take(limit.max(4)))
            {
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
                    filled: m.fill.is_some(),
                };
                let mut dot = Dot {
                    weights: &self.model.dense,
                    sum: 0.0,
                };
                place_features(&mut dot, forest, e, &moment, &going);
                let total = self.words[event] + score + dot.sum;
                debug_assert!(m.fill.is_some() || total <= score + most_here);
                let total = total - share;
                let action = Action::Play {
                    from: node,
                    found: *m,
                    place,
                };
                let clarity = self.clarity;
                let ask = self.ask;
                take(self, action, total, &mut |sink: &mut Collect| {
                    let mut all = Vec::new();
                    matches(forest, e, source, near_place && m.fill.is_none(), &mut all);
                    move_features(sink, forest, e, source, m, &all, clarity, &ask);
                    if let Some(reply) = m.fill {
                        unsaid_features(sink, forest, node, reply);
                    }
                    place_features(sink, forest, e, &moment, &going);
                });
            }
        }
        self.spare = spare;
    }

    /// The ways on from a state with their dense features; word features belong to every play alike.
    pub fn candidates(&mut self, state: &State, event: usize) -> Vec<(Candidate, Collect)> {
        let mut out = Vec::new();
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

    fn add(&self, state: &mut State, node: NodeId) {
        if !state.has(node) {
            Rc::make_mut(&mut state.told).add(node);
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
