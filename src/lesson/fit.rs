//! Fitting the weights on lessons with keys: first decision by decision along the key, then over whole beams.

use std::collections::{HashMap, HashSet};

use shakmaty::fen::Epd;
use shakmaty::{EnPassantMode, Move};

use super::align::{Gold, Lesson};
use super::score::Row;
use crate::board::NodeId;
use crate::decode::{
    Action, Candidate, Collect, Decoder, Match, Model, Options, Place, State, blocks, is_plain,
};
use crate::grammar::Grammar;

/// How the fit runs.
#[derive(Debug, Clone, Copy)]
pub struct FitOptions {
    /// Steps of the descent.
    pub steps: usize,
    /// Size of the first steps.
    pub rate: f32,
    /// Penalty on the squares of the weights of moves, of passing over, and of places that the words name.
    pub moves: f32,
    /// Penalty on the squares of the weights of other places: they tell much of the same, so they are held in check.
    pub places: f32,
    /// Penalty on the squares of the weights of words.
    pub words: f32,
    /// How many of the lessons, the last ones, count only for what plain lessons have of their own.
    pub plain_only: usize,
    /// How much likelier than none a move must be: one read where none was made does more harm than one missed.
    pub prudence: f32,
}

impl Default for FitOptions {
    fn default() -> FitOptions {
        FitOptions {
            steps: 150,
            rate: 0.1,
            moves: 1.0,
            places: 10.0,
            words: 9.0,
            plain_only: 0,
            prudence: 0.3,
        }
    }
}

/// A decision on the key's path.
struct Decision {
    words: Vec<u32>,
    choices: Vec<(bool, Vec<u32>)>,
    gold: usize,
}

fn key_match(
    candidates: &[(Candidate, Collect)],
    decoder: &Decoder,
    from: NodeId,
    moves: &[Move],
) -> Option<usize> {
    candidates.iter().position(|(c, _)| match c.action {
        Action::Play { from: f, found, .. } => {
            f == from
                && found.fill.is_none()
                && decoder.forest.moves(f)[usize::from(found.index)].play == moves[0]
                && match (found.second, moves.get(1)) {
                    (None, None) => true,
                    (Some(second), Some(&m)) => decoder
                        .forest
                        .child(f, found.index)
                        .is_some_and(|c| decoder.forest.moves(c)[usize::from(second)].play == m),
                    _ => false,
                }
        }
        Action::Pass => false,
    })
}

/// The candidate that makes a silent move and then the key's.
fn filled_match(
    candidates: &[(Candidate, Collect)],
    decoder: &Decoder,
    from: NodeId,
    silent: Move,
    moves: &[Move],
) -> Option<usize> {
    candidates.iter().position(|(c, _)| match c.action {
        Action::Play { from: f, found, .. } if f == from => found.fill.is_some_and(|(reply, _)| {
            decoder.forest.moves(f)[usize::from(reply)].play == silent
                && moves.len() == 1
                && decoder.forest.child(f, reply).is_some_and(|c| {
                    decoder.forest.moves(c)[usize::from(found.index)].play == moves[0]
                })
        }),
        _ => false,
    })
}

/// Follows the key through the lesson's events.
struct Guide<'l> {
    lesson: &'l Lesson,
    map: HashMap<(usize, usize), NodeId>,
    silent: usize,
}

impl<'l> Guide<'l> {
    fn new(lesson: &'l Lesson, decoder: &Decoder) -> Guide<'l> {
        let map = decoder
            .roots()
            .into_iter()
            .enumerate()
            .map(|(b, r)| ((b, 0), r))
            .collect();
        Guide {
            lesson,
            map,
            silent: 0,
        }
    }

    fn key_child(&self, board: usize, node: usize, play: Move) -> usize {
        let nodes = &self.lesson.source.boards[board].nodes;
        nodes
            .iter()
            .position(|n| n.parent == Some(node) && n.play == Some(play))
            .unwrap_or(0)
    }

    fn force(
        &mut self,
        decoder: &mut Decoder,
        state: &State,
        event: usize,
        board: usize,
        node: usize,
        play: Move,
    ) -> State {
        let from = self.map[&(board, node)];
        let index = decoder.forest.index_of(from, play).unwrap_or(0);
        let place = if board + 1 > state.boards {
            Place {
                rel: 13,
                distance: 99,
            }
        } else {
            Place {
                rel: usize::from(from != state.cursor),
                distance: 1,
            }
        };
        let found = Match {
            index,
            second: None,
            fill: None,
            cost: 0.0,
            slip: false,
            quality: 3,
        };
        let before = state.before;
        let last = state.last;
        let mut next = decoder.apply(
            state,
            event.min(self.lesson.speech.events.len() - 1),
            Action::Play { from, found, place },
            0.0,
        );
        next.before = before;
        next.last = last;
        let child = self.key_child(board, node, play);
        let at = decoder.forest.play(from, index);
        self.map.insert((board, child), at);
        next
    }

    /// Moves that no event says, before an event.
    fn silent(&mut self, decoder: &mut Decoder, mut state: State, event: usize) -> State {
        while self.silent < self.lesson.silent.len() && self.lesson.silent[self.silent].0 <= event {
            let (_, board, node, play) = self.lesson.silent[self.silent];
            self.silent += 1;
            if self.map.contains_key(&(board, node)) {
                state = self.force(decoder, &state, event, board, node, play);
            }
        }
        state
    }

    /// Which of the ways on from a state the key takes.
    fn choice(
        &self,
        decoder: &Decoder,
        candidates: &[(Candidate, Collect)],
        event: usize,
    ) -> Option<usize> {
        match &self.lesson.gold[event] {
            Gold::Pass => candidates
                .iter()
                .position(|(c, _)| c.action == Action::Pass),
            Gold::Play { board, node, moves } => self
                .map
                .get(&(*board, *node))
                .and_then(|&from| key_match(candidates, decoder, from, moves)),
        }
    }

    /// The state after the key's choice, or after its moves made by force where it is none of the candidates.
    fn follow(
        &mut self,
        decoder: &mut Decoder,
        state: State,
        event: usize,
        chosen: Option<&Candidate>,
    ) -> State {
        let gold = &self.lesson.gold[event];
        if let Some(chosen) = chosen {
            let next = decoder.apply(&state, event, chosen.action, chosen.score);
            if let Gold::Play { board, node, moves } = gold {
                self.known(decoder, *board, *node, moves);
            }
            return next;
        }
        let mut next = state;
        if let Gold::Play { board, node, moves } = gold
            && self.map.contains_key(&(*board, *node))
        {
            let mut at = *node;
            for &m in moves {
                next = self.force(decoder, &next, event, *board, at, m);
                at = self.key_child(*board, at, m);
            }
            next.last = Some(event);
            next.before = 2;
        }
        next
    }

    fn known(&mut self, decoder: &mut Decoder, board: usize, node: usize, moves: &[Move]) {
        let mut at = node;
        for &m in moves {
            let from = self.map[&(board, at)];
            let child = self.key_child(board, at, m);
            if let Some(i) = decoder.forest.index_of(from, m) {
                let id = decoder.forest.play(from, i);
                self.map.insert((board, child), id);
            }
            at = child;
        }
    }
}

fn decisions(
    lesson: &Lesson,
    grammar: &Grammar,
    model: &Model,
    intern: &mut dyn FnMut(&str) -> Option<u32>,
) -> (Vec<Decision>, usize) {
    let mut decoder = Decoder::new(&lesson.speech, grammar, model, &lesson.starts);
    let mut guide = Guide::new(lesson, &decoder);
    let mut state = decoder.initial();
    let mut out = Vec::new();
    let mut missed = 0;
    for k in 0..lesson.speech.events.len() {
        // One silent move right before a move that is said: the search can do that in one step.
        let mut filled = None;
        if let (
            Some(&(at, board, node, play)),
            Gold::Play {
                board: b,
                node: n,
                moves,
            },
        ) = (lesson.silent.get(guide.silent), &lesson.gold[k])
        {
            let lone = lesson.silent.get(guide.silent + 1).is_none_or(|s| s.0 > k);
            let said_before = (at..k).all(|j| lesson.gold[j] == Gold::Pass);
            if at <= k
                && lone
                && said_before
                && board == *b
                && guide.key_child(board, node, play) == *n
                && guide.map.get(&(board, node)) == Some(&state.cursor)
            {
                let candidates = decoder.candidates(&state, k);
                if let Some(gold) = filled_match(&candidates, &decoder, state.cursor, play, moves) {
                    guide.known(&mut decoder, board, node, &[play]);
                    guide.silent += 1;
                    filled = Some((candidates, gold));
                }
            }
        }
        // A silent move waits for the next move that is said.
        let waits = decoder.unsaid_replies && lesson.gold[k] == Gold::Pass && filled.is_none();
        if !waits && filled.is_none() {
            state = guide.silent(&mut decoder, state, k);
        }
        let (candidates, gold) = match filled {
            Some((candidates, gold)) => (candidates, Some(gold)),
            None => {
                let candidates = decoder.candidates(&state, k);
                let gold = guide.choice(&decoder, &candidates, k);
                (candidates, gold)
            }
        };
        if let Some(gold) = gold {
            let words = Decoder::words_of(&lesson.speech, grammar, k)
                .iter()
                .filter_map(|n| intern(n))
                .collect();
            let choices = candidates
                .iter()
                .map(|(c, f)| (c.action != Action::Pass, f.0.clone()))
                .collect();
            out.push(Decision {
                words,
                choices,
                gold,
            });
        } else {
            missed += 1;
        }
        state = guide.follow(&mut decoder, state, k, gold.map(|g| &candidates[g].0));
    }
    (out, missed)
}

/// Fits a model on lessons.
pub fn fit(
    lessons: &[&Lesson],
    grammar: &Grammar,
    options: FitOptions,
    mut report: impl FnMut(String),
) -> Model {
    let mut counts: HashMap<String, u32> = HashMap::new();
    let shared = lessons.len().saturating_sub(options.plain_only);
    for lesson in &lessons[..shared] {
        let mut seen = HashSet::new();
        for k in 0..lesson.speech.events.len() {
            for name in Decoder::words_of(&lesson.speech, grammar, k) {
                // Counted once a lesson: what one speaker alone says is no evidence.
                if seen.insert(name.clone()) {
                    *counts.entry(name).or_default() += 1;
                }
            }
        }
    }
    let mut names: Vec<String> = counts
        .into_iter()
        .filter(|(_, c)| *c >= 2)
        .map(|(n, _)| n)
        .collect();
    names.sort();
    let mut model = Model::empty();
    model.sparse = vec![0.0; names.len()];
    model.names = names
        .into_iter()
        .enumerate()
        .map(|(i, n)| (n, i as u32))
        .collect();
    let mut all = Vec::new();
    let mut missed = 0;
    for lesson in lessons {
        let ids = &model.names;
        let (d, m) = decisions(lesson, grammar, &model, &mut |n| ids.get(n).copied());
        missed += m;
        all.push(d);
    }
    let total: usize = all.iter().map(Vec::len).sum();
    report(format!(
        "{total} decisions, {missed} key moves out of reach, {} word features",
        model.names.len()
    ));
    let dense = model.dense.len();
    let none = vec![0f32; dense + model.sparse.len()];
    let decisions: Vec<&Decision> = all[..shared].iter().flatten().collect();
    let weights = descend(&decisions, &none, dense, options, &mut report);
    model.dense.copy_from_slice(&weights[..dense]);
    model.sparse.copy_from_slice(&weights[dense..]);
    // Plain lessons are few among the others, and told in another way: from the weights of all on to their own.
    let plain = lessons
        .iter()
        .zip(&all)
        .filter(|(l, _)| is_plain(&l.speech));
    let plain: Vec<&Decision> = plain.flat_map(|(_, decisions)| decisions).collect();
    // Narrations by rule are as many as one likes, so that little holds the weights back; the words count as in speech.
    let options_of_plain = FitOptions {
        moves: 0.1,
        places: 0.1,
        words: f32::INFINITY,
        ..options
    };
    let own = descend(&plain, &weights, dense, options_of_plain, &mut report);
    model.plain.copy_from_slice(&own[..dense]);
    // A plain lesson says of each move that it is played: nothing is taken off there.
    let kinds = blocks::M_KIND.offset..blocks::M_KIND.offset + blocks::M_KIND.size();
    for weight in &mut model.dense[kinds] {
        *weight -= options.prudence;
    }
    model
}

/// Least regularised log loss over single decisions: gradient descent on all decisions at once, with Adam's step sizes
/// (Kingma and Ba 2015; constants from memory). The weights are drawn to `start`; those with an infinite penalty stay there.
/// The first `dense` of them are those of the tables, the others those of the words.
fn descend(
    decisions: &[&Decision],
    start: &[f32],
    dense: usize,
    options: FitOptions,
    report: &mut impl FnMut(String),
) -> Vec<f32> {
    let size = start.len();
    let mut weights = start.to_vec();
    let (mut mean, mut square) = (vec![0f32; size], vec![0f32; size]);
    let places = blocks::S_GAP.offset..blocks::N_PREV.offset;
    let named = blocks::S_RELATION.offset..blocks::S_NUMBER.offset + blocks::S_NUMBER.size();
    let penalties: Vec<f32> = (0..size)
        .map(|i| match i {
            _ if i >= dense => options.words,
            _ if places.contains(&i) && !named.contains(&i) => options.places,
            _ => options.moves,
        })
        .collect();
    // Not as many threads as there are cores: the sums, and so the weights, would differ from machine to machine.
    let (steps, threads) = (options.steps, 2);
    for step in 1..=steps {
        let parts: Vec<(Vec<f32>, f64, usize)> = std::thread::scope(|scope| {
            let weights = &weights;
            let handles: Vec<_> = decisions
                .chunks(decisions.len().div_ceil(threads).max(1))
                .map(|chunk| scope.spawn(move || gradient(chunk, weights, dense)))
                .collect();
            handles
                .into_iter()
                .map(|h| h.join().expect("a part of the gradient"))
                .collect()
        });
        let (mut loss, mut right) = (0.0, 0);
        let mut sum = vec![0f32; size];
        for (part, l, r) in parts {
            loss += l;
            right += r;
            for (s, g) in sum.iter_mut().zip(part) {
                *s += g;
            }
        }
        let rate = options.rate * (1.0 - 0.95 * step as f32 / steps as f32);
        let (b1, b2) = (0.9f32, 0.99f32);
        let (c1, c2) = (1.0 - b1.powi(step as i32), 1.0 - b2.powi(step as i32));
        for i in (0..size).filter(|&i| penalties[i].is_finite()) {
            let g = sum[i] - penalties[i] * (weights[i] - start[i]);
            mean[i] = b1 * mean[i] + (1.0 - b1) * g;
            square[i] = b2 * square[i] + (1.0 - b2) * g * g;
            weights[i] += rate * (mean[i] / c1) / ((square[i] / c2).sqrt() + 1e-4);
        }
        if step % 50 == 0 {
            report(format!(
                "step {step}: loss {:.4}, right {:.4}",
                loss / decisions.len().max(1) as f64,
                right as f64 / decisions.len().max(1) as f64
            ));
        }
    }
    weights
}

/// Gradient of the log probability of some decisions, their log loss, and how many are decided as the key.
fn gradient(decisions: &[&Decision], weights: &[f32], dense: usize) -> (Vec<f32>, f64, usize) {
    let mut out = vec![0f32; weights.len()];
    let (mut loss, mut right) = (0f64, 0usize);
    let mut scores = Vec::new();
    for d in decisions {
        let word: f32 = d.words.iter().map(|&i| weights[dense + i as usize]).sum();
        scores.clear();
        scores.extend(d.choices.iter().map(|(play, f)| {
            f.iter().map(|&i| weights[i as usize]).sum::<f32>() + if *play { word } else { 0.0 }
        }));
        let top = scores.iter().copied().fold(f32::MIN, f32::max);
        right += usize::from(scores[d.gold] >= top);
        let sum: f32 = scores.iter().map(|s| (s - top).exp()).sum();
        loss -= f64::from(scores[d.gold] - top) - f64::from(sum).ln();
        let mut play_gradient = 0.0;
        for (i, (play, f)) in d.choices.iter().enumerate() {
            let g = f32::from(u8::from(i == d.gold)) - (scores[i] - top).exp() / sum;
            if g.abs() < 1e-5 {
                continue;
            }
            for &x in f {
                out[x as usize] += g;
            }
            if *play {
                play_gradient += g;
            }
        }
        for &x in &d.words {
            out[dense + x as usize] += play_gradient;
        }
    }
    (out, loss, right)
}

/// How a model decides along the key's path.
#[derive(Debug, Clone, Copy, Default)]
pub struct Decisions {
    /// Decided as the key.
    pub right: usize,
    /// Passed over, where the key plays.
    pub passed: usize,
    /// Played, where the key passes over.
    pub played: usize,
    /// Another move from the right place.
    pub other_move: usize,
    /// A move from another place.
    pub other_place: usize,
    /// The key's move is none of the choices.
    pub out_of_reach: usize,
    /// Sum of the negative log probabilities of the key's choices, each alone.
    pub loss: f64,
}

impl std::ops::AddAssign for Decisions {
    fn add_assign(&mut self, other: Decisions) {
        self.right += other.right;
        self.passed += other.passed;
        self.played += other.played;
        self.other_move += other.other_move;
        self.other_place += other.other_place;
        self.out_of_reach += other.out_of_reach;
        self.loss += other.loss;
    }
}

impl std::fmt::Display for Decisions {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let all = self.right + self.passed + self.played + self.other_move + self.other_place;
        write!(
            f,
            "of {all} decisions {} right, {} passed over, {} played though none, {} another move, {} another place; {} out of reach; loss {:.4}",
            self.right,
            self.passed,
            self.played,
            self.other_move,
            self.other_place,
            self.out_of_reach,
            self.loss / all.max(1) as f64
        )
    }
}

/// Decides each event of a lesson along the key's path.
pub fn decide(lesson: &Lesson, grammar: &Grammar, model: &Model) -> Decisions {
    let mut decoder = Decoder::new(&lesson.speech, grammar, model, &lesson.starts);
    let mut guide = Guide::new(lesson, &decoder);
    let mut state = decoder.initial();
    let mut out = Decisions::default();
    for k in 0..lesson.speech.events.len() {
        state = guide.silent(&mut decoder, state, k);
        let candidates = decoder.candidates(&state, k);
        let gold = guide.choice(&decoder, &candidates, k);
        if let Some(gold) = gold {
            let score = |i: usize| candidates[i].0.score;
            let best = (0..candidates.len())
                .max_by(|&a, &b| score(a).total_cmp(&score(b)))
                .unwrap_or(0);
            match (candidates[gold].0.action, candidates[best].0.action) {
                _ if gold == best => out.right += 1,
                (Action::Play { .. }, Action::Pass) => out.passed += 1,
                (Action::Pass, _) => out.played += 1,
                (Action::Play { from: a, .. }, Action::Play { from: b, .. }) if a == b => {
                    out.other_move += 1
                }
                _ => out.other_place += 1,
            }
            let sum: f64 = (0..candidates.len())
                .map(|i| f64::from(score(i) - score(best)).exp())
                .sum();
            out.loss += sum.ln() - f64::from(score(gold) - score(best));
        } else {
            out.out_of_reach += 1;
        }
        state = guide.follow(&mut decoder, state, k, gold.map(|g| &candidates[g].0));
    }
    out
}

/// Decodes a lesson and counts the moves found.
pub fn decode_row(lesson: &Lesson, grammar: &Grammar, model: &Model, options: Options) -> Row {
    let mut decoder = Decoder::new(&lesson.speech, grammar, model, &lesson.starts);
    let outcome = decoder.search(options, |_, _, _| true);
    let epd = |p: &shakmaty::Chess| Epd::from_position(p, EnPassantMode::Legal).to_string();
    let mut edges = HashSet::new();
    for &n in outcome.best.nodes().iter() {
        if let (Some(parent), Some(m)) = (decoder.forest.node(n).parent, decoder.forest.incoming(n))
        {
            edges.insert((
                epd(decoder.forest.position(parent)),
                decoder.forest.uci(m.play),
            ));
        }
    }
    let (mut need, mut silent) = (HashSet::new(), HashSet::new());
    for board in &lesson.source.boards {
        for n in &board.nodes {
            if let (Some(parent), Some(play)) = (n.parent, n.play) {
                let key = (epd(&board.nodes[parent].position), decoder.forest.uci(play));
                if n.said.is_some() {
                    need.insert(key)
                } else {
                    silent.insert(key)
                };
            }
        }
    }
    let found = need.intersection(&edges).count();
    let extra = edges
        .iter()
        .filter(|e| !need.contains(*e) && !silent.contains(*e))
        .count();
    Row {
        name: lesson.source.name.clone(),
        need: need.len(),
        found,
        extra,
        games: lesson.source.boards.len(),
        ..Row::default()
    }
}

/// Event by event: the words, what the key says and what the best reading did, with scores. For developers' eyes.
pub fn trace(lesson: &Lesson, grammar: &Grammar, model: &Model, options: Options) -> String {
    let mut decoder = Decoder::new(&lesson.speech, grammar, model, &lesson.starts);
    let mut ranks: Vec<String> = Vec::new();
    // The key's place in the beam.
    let mut guide = Guide::new(lesson, &decoder);
    let mut state = decoder.initial();
    let mut keys = Vec::new();
    for k in 0..lesson.speech.events.len() {
        state = guide.silent(&mut decoder, state, k);
        let candidates = decoder.candidates(&state, k);
        let gold = guide.choice(&decoder, &candidates, k);
        let note = match gold {
            Some(gold) => {
                let best = candidates
                    .iter()
                    .map(|c| c.0.score)
                    .fold(f32::MIN, f32::max);
                format!("{:.1}/{:.1}", candidates[gold].0.score, best)
            }
            None => "out of reach".into(),
        };
        state = guide.follow(&mut decoder, state, k, gold.map(|g| &candidates[g].0));
        keys.push((state.cursor, state.score));
        ranks.push(note);
    }
    let mut places = Vec::new();
    let outcome = decoder.search(options, |event, beam, _| {
        let (cursor, score) = keys[event];
        let at = beam.iter().position(|s| s.cursor == cursor);
        places.push(format!(
            "{} {:.1}",
            at.map_or("-".into(), |p| p.to_string()),
            score - beam[0].score
        ));
        true
    });
    let mut out = format!("== {}\n", lesson.source.name);
    for (k, step) in outcome.path.iter().enumerate() {
        let e = &lesson.speech.events[k];
        let words: Vec<&str> = lesson.speech.tokens
            [e.phrase.saturating_sub(4)..lesson.speech.tokens.len().min(e.phrase_end + 3)]
            .iter()
            .map(|t| t.text.as_str())
            .collect();
        let did = match step.action {
            Action::Pass => "-".to_owned(),
            Action::Play { from, found, place } => match found.fill {
                Some((reply, _)) => {
                    let child = decoder.forest.child(from, reply).unwrap_or(from);
                    format!(
                        "({}) {} [{}]",
                        decoder.forest.san(from, reply),
                        decoder.forest.san(child, found.index),
                        place.rel
                    )
                }
                None => format!("{} [{}]", decoder.forest.san(from, found.index), place.rel),
            },
        };
        let key = match &lesson.gold[k] {
            Gold::Pass => "-".to_owned(),
            Gold::Play { board, node, moves } => {
                let p = &lesson.source.boards[*board].nodes[*node].position;
                shakmaty::san::SanPlus::from_move(p.clone(), moves[0]).to_string()
            }
        };
        let heard: Vec<&str> = lesson.speech.tokens[e.first..e.end]
            .iter()
            .map(|t| t.text.as_str())
            .collect();
        out.push_str(&format!(
            "{k:3} {:8} {:12} key {key:8} did {did:12} {:6.1}  local {:12} rank {:10} | {}\n",
            e.kind.name(),
            heard.join(" "),
            step.score,
            ranks[k],
            places[k],
            words.join(" ")
        ));
    }
    out
}
