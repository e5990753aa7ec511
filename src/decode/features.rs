//! What the model looks at: features of a move for a phrase, of a place in the tree, and of passing a phrase over.

use shakmaty::{Bitboard, Color, Position, Role, Square};

use super::model::{Sink, blocks::*};
use crate::board::{Effect, Forest, MoveFact, NodeId, step, worth};
use crate::speech::{Event, KINDS, Kind, Relation, Speech};

/// A legal move that a phrase may mean.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Match {
    /// Index among the node's legal moves.
    pub index: u16,
    /// Recapture that follows at once (a trade).
    pub second: Option<u16>,
    /// A move that nobody said, played first (index among the node's legal moves), and why it was thought of.
    pub fill: Option<(u16, u8)>,
    /// Distance of the sound; 0 where the square was heard as such.
    pub cost: f32,
    /// Whether the phrase as heard says something else.
    pub slip: bool,
    /// 3 for a clean match, 2 with another piece than said, 1 with a doubtful square.
    pub quality: u8,
}

impl Match {
    /// A move by its index among the legal moves, with its sound distance and quality; said as it is, nothing else played.
    pub(crate) fn of(index: usize, cost: f32, quality: u8) -> Match {
        Match {
            index: index as u16,
            second: None,
            fill: None,
            cost,
            slip: false,
            quality,
        }
    }
}

fn role_index(role: Role) -> usize {
    u32::from(role) as usize - 1
}

fn slot_index(role: Option<Role>) -> usize {
    role.map_or(0, |r| role_index(r) + 1)
}

fn kind_index(kind: Kind) -> usize {
    kind as usize
}

fn cost_bucket(found: &Match) -> usize {
    if found.slip && found.cost >= 3.0 {
        return 8 + usize::from(found.cost > 3.5);
    }
    [0.0, 0.3, 0.65, 1.0, 1.4, 1.8, 2.2]
        .iter()
        .position(|&limit| found.cost <= limit + 1e-4)
        .unwrap_or(7)
}

/// 0 for a garbled transcript, 1 for a mixed one, 2 for a clear one, 3 for one in which nearly every square was heard as such.
pub fn clarity_bucket(clarity: f32) -> usize {
    usize::from(clarity > 0.45) + usize::from(clarity > 0.8) + usize::from(clarity > 0.93)
}

/// Whether a lesson tells moves plainly, one after the other: the squares are heard as such, they come thick, and no move is
/// "yours" or "his".
pub fn is_plain(speech: &Speech) -> bool {
    clarity_bucket(speech.clarity) >= 2
        && density_bucket(speech) >= 2
        && speech.events.iter().all(|e| e.slots.person < 2)
}

/// 0 where a lesson names few squares among its words, 3 where it hardly names anything else.
pub fn density_bucket(speech: &Speech) -> usize {
    let named = |e: &&Event| matches!(e.kind, Kind::Square | Kind::Castle);
    let squares = speech.events.iter().filter(named).count();
    let share = squares as f32 / speech.tokens.len().max(1) as f32;
    usize::from(share > 0.07) + usize::from(share > 0.11) + usize::from(share > 0.15)
}

fn mover_said(event: &Event) -> Option<(Role, usize)> {
    if let Some(role) = event.slots.with.filter(|_| event.kind == Kind::Capture) {
        return Some((role, 1));
    }
    event.slots.mover.map(|(role, d)| {
        (
            role,
            match d {
                0 => 0,
                1..=2 => 1,
                3..=4 => 2,
                _ => 3,
            },
        )
    })
}

/// How much is tried to find the moves of a node that a phrase may mean.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Trying {
    /// What fits well.
    Far,
    /// What fits badly too: on the line to the board and at the places last returned to.
    Near,
    /// Slips too: on the board.
    Board,
}

/// Legal moves of a node that the phrase may mean.
pub fn matches(forest: &Forest, event: &Event, node: NodeId, trying: Trying, out: &mut Vec<Match>) {
    out.clear();
    let near = trying != Trying::Far;
    let turn = forest.turn(node);
    let moves = forest.moves(node);
    let said = mover_said(event);
    match event.kind {
        Kind::Square => {
            let heard: Bitboard = event.squares.iter().map(|r| r.square(turn)).collect();
            for (i, m) in moves.iter().enumerate() {
                if !heard.contains(m.to) || m.castle.is_some() {
                    continue;
                }
                let Some(reading) = event.squares.iter().find(|r| m.to == r.square(turn)) else {
                    continue;
                };
                if m.promotion
                    .is_some_and(|p| p != event.slots.promotion.unwrap_or(Role::Queen))
                {
                    continue;
                }
                let role_fits = said.is_none_or(|(role, d)| role == m.role || d >= 2);
                if !near && (reading.cost > 1.5 || !role_fits) {
                    continue;
                }
                let quality = if reading.cost > 1.5 {
                    1
                } else if role_fits {
                    3
                } else {
                    2
                };
                out.push(Match::of(i, reading.cost, quality));
            }
            // "The pawn on d2 goes two squares": the square is where it comes from.
            if let (Some(steps), Some(reading)) = (
                event.slots.steps,
                event.squares.first().filter(|r| r.cost <= 0.3),
            ) {
                let from = reading.square(turn);
                for (i, m) in moves.iter().enumerate() {
                    let far = ranks_passed(m);
                    if m.role == Role::Pawn
                        && m.from == from
                        && m.victim.is_none()
                        && far == u32::from(steps)
                        && m.promotion.is_none()
                    {
                        out.push(Match::of(i, 0.5, 2));
                    }
                }
            }
            if trying == Trying::Board && !out.iter().any(|m| m.quality == 3 && m.cost < 1.0) {
                let exact = event.squares.first().filter(|r| r.cost <= 0.3);
                // A slip: the piece is right and the square is not, or nothing but a pawn move was said.
                let (role, sure) = match said {
                    Some((role, distance)) => (role, distance <= 1),
                    None => (Role::Pawn, false),
                };
                let open = sure || (out.is_empty() && said.is_none_or(|s| s.1 <= 4));
                if let Some(reading) = exact.filter(|_| open) {
                    let to = reading.square(turn);
                    for (i, m) in moves.iter().enumerate() {
                        let files = u32::from(m.to.file()).abs_diff(u32::from(to.file()));
                        let ranks = u32::from(m.to.rank()).abs_diff(u32::from(to.rank()));
                        let close = match sure {
                            true => files == 0 || ranks == 0,
                            false => files + ranks == 1 || (ranks == 0 && files == 7),
                        };
                        if m.role == role
                            && m.castle.is_none()
                            && close
                            && !out.iter().any(|o| o.index == i as u16)
                            && m.promotion.is_none_or(|p| p == Role::Queen)
                        {
                            let cost = if sure { 3.0 } else { 4.0 };
                            out.push(Match {
                                slip: true,
                                ..Match::of(i, cost, 1)
                            });
                        }
                    }
                }
            }
        }
        Kind::Castle => {
            for (i, m) in moves.iter().enumerate() {
                if let Some(short) = m.castle {
                    let fits = event.slots.castle.is_none_or(|s| s == short);
                    out.push(Match::of(i, 0.0, if fits { 3 } else { 2 }));
                }
            }
        }
        Kind::Capture => {
            for (i, m) in moves.iter().enumerate() {
                let Some(victim) = m.victim else { continue };
                if said.is_some_and(|(role, d)| role != m.role && d <= 2)
                    && !(event.slots.victim.is_none() && said.is_some_and(|(r, _)| r == victim))
                {
                    continue;
                }
                if m.promotion
                    .is_some_and(|p| p != event.slots.promotion.unwrap_or(Role::Queen))
                {
                    continue;
                }
                if event.slots.victim.is_some_and(|v| v != victim) && !near {
                    continue;
                }
                if !near
                    && said.is_none()
                    && event.slots.victim.is_none()
                    && forest.incoming(node).is_none_or(|last| last.to != m.to)
                {
                    continue;
                }
                out.push(Match::of(i, 0.0, if said.is_some() { 3 } else { 2 }));
            }
        }
        Kind::Piece => {
            if !near {
                return;
            }
            let slots = &event.slots;
            for (i, m) in moves.iter().enumerate() {
                let far = ranks_passed(m);
                let fits = said.is_some_and(|(role, _)| role == m.role)
                    && m.castle.is_none()
                    && m.promotion.is_none_or(|p| p == Role::Queen)
                    && slots
                        .steps
                        .is_none_or(|n| u32::from(n) == far && m.victim.is_none())
                    && slots
                        .file
                        .is_none_or(|row| row[u32::from(m.from.file()) as usize] < 3.0);
                if fits {
                    out.push(Match::of(i, 0.0, 2));
                }
            }
        }
        Kind::Mirror => {
            let Some(last) = forest.incoming(node) else {
                return;
            };
            for (i, m) in moves.iter().enumerate() {
                let mirrored =
                    m.from == last.from.flip_vertical() && m.to == last.to.flip_vertical();
                if m.role == last.role && mirrored && m.castle == last.castle {
                    out.push(Match::of(i, 0.0, 3));
                }
            }
        }
        Kind::Trade => {
            let named = event.slots.victim.or(event.slots.mover.map(|m| m.0));
            for (i, m) in moves.iter().enumerate() {
                let Some(victim) = m.victim else { continue };
                if m.promotion.is_some()
                    || (named.is_some_and(|n| n != m.role && n != victim))
                    || (!near && named.is_none())
                {
                    continue;
                }
                if worth(victim) < worth(m.role) - 1 {
                    continue;
                }
                out.push(Match::of(i, 0.0, 2));
            }
        }
        Kind::Files => {
            let row = event.slots.file.unwrap_or([0.0; 8]);
            let to = event.squares.first().map(|r| r.white.file());
            for (i, m) in moves.iter().enumerate() {
                let from_fits = row[u32::from(m.from.file()) as usize] < 1.0;
                if m.role == Role::Pawn
                    && m.victim.is_some()
                    && from_fits
                    && to.is_none_or(|f| f == m.to.file())
                    && m.promotion.is_none_or(|p| p == Role::Queen)
                {
                    out.push(Match::of(i, 0.0, 3));
                }
            }
        }
    }
}

/// Ranks between the squares of a move.
fn ranks_passed(m: &MoveFact) -> u32 {
    u32::from(m.from.rank()).abs_diff(u32::from(m.to.rank()))
}

/// 2 where a piece goes to a square that a pawn attacks, 1 where any man attacks it, else 0.
fn safety(forest: &Forest, node: NodeId, m: &MoveFact) -> usize {
    let [pawns, all] = forest.attacked(node);
    if pawns.contains(m.to) && m.role != Role::Pawn {
        2
    } else {
        usize::from(all.contains(m.to))
    }
}

fn backward(turn: Color, m: &MoveFact) -> usize {
    let (from, to) = (u32::from(m.from.rank()), u32::from(m.to.rank()));
    match (turn == Color::White, to.cmp(&from)) {
        (_, std::cmp::Ordering::Equal) => 1,
        (true, std::cmp::Ordering::Less) | (false, std::cmp::Ordering::Greater) => 2,
        _ => 0,
    }
}

/// Word classes that the features ask for by name.
#[derive(Debug, Clone, Copy)]
pub struct Ask {
    /// Retreats.
    pub retreat: u64,
    /// Pawn pushes.
    pub push: u64,
    /// "standing on", "sits on".
    pub standing: u64,
    /// Words that a move number follows.
    pub number: u64,
}

/// What a phrase says of a move by its side, its piece and what it takes: the first part of the features of a move.
pub fn said_features(
    sink: &mut impl Sink,
    event: &Event,
    turn: Color,
    mover: Role,
    victim: Option<Role>,
    clarity: usize,
) {
    let s = &event.slots;
    let kind = kind_index(event.kind);
    let role = role_index(mover);
    let taken = usize::from(victim.is_some());
    sink.add(M_KIND.at(kind, role, taken));
    let said = mover_said(event);
    sink.add(M_MOVER.at(slot_index(said.map(|x| x.0)), role, said.map_or(0, |x| x.1)));
    if let Some((role, distance)) = s.mover.filter(|_| event.kind == Kind::Square) {
        let way = match distance {
            0..=1 => 0,
            2 => 1,
            3..=4 => 2,
            5..=6 => 3,
            _ => 4,
        };
        let fits = match (role == mover, s.mover_misheard) {
            (true, _) => 2,
            (false, true) => 1,
            (false, false) => 0,
        };
        sink.add(M_FITS.at(fits, way, clarity));
    }
    if s.mover_misheard {
        sink.add(M_MISHEARD.at(
            usize::from(said.is_some_and(|x| x.0 == mover)),
            usize::from(said.is_some_and(|x| x.1 < 2)),
            clarity,
        ));
    }
    if s.with.is_some() {
        sink.add(M_WITH.at(slot_index(s.with), role, 0));
    }
    if s.victim.is_some() || event.kind == Kind::Capture {
        sink.add(M_VICTIM.at(slot_index(s.victim), slot_index(victim), 0));
    }
    let mover_kind = match said {
        None => 0,
        Some((Role::Pawn, _)) => 1,
        Some(_) => 2,
    };
    sink.add(M_CAPTURE.at(usize::from(s.capture), taken, mover_kind));
    let side = match s.side {
        None => 0,
        Some(Color::White) => 1,
        Some(Color::Black) => 2,
    };
    sink.add(M_SIDE.at(side, usize::from(turn == Color::Black), kind));
}

/// Features of a move for a phrase, those of [`said_features`] aside: they depend on the event and the node alone.
#[allow(clippy::too_many_arguments)]
pub fn move_features(
    sink: &mut impl Sink,
    forest: &Forest,
    event: &Event,
    node: NodeId,
    found: &Match,
    all: &[Match],
    clarity: usize,
    ask: &Ask,
) {
    let moves = forest.moves(node);
    let m = &moves[usize::from(found.index)];
    let outcome = forest.outcome(node, found.index);
    let s = &event.slots;
    let kind = kind_index(event.kind);
    let role = role_index(m.role);
    let turn = forest.turn(node);
    let pawn = usize::from(m.role == Role::Pawn);
    if event.kind == Kind::Square {
        sink.add(M_COST.at(
            cost_bucket(found),
            clarity,
            usize::from(s.mover.is_some_and(|(_, d)| d <= 3)),
        ));
    }
    let said = mover_said(event);
    let effect = match outcome.effect {
        Effect::Quiet => 0,
        Effect::Check => 1,
        Effect::Mate => 2,
    };
    sink.add(M_CHECK.at(if s.mate { 2 } else { usize::from(s.check) }, effect, 0));
    let file = match &s.file {
        None => 0,
        Some(row) => match row[u32::from(m.from.file()) as usize] {
            c if c <= 0.05 => 1,
            c if c < 0.5 => 2,
            c if c < 1.2 => 3,
            c if c < 3.0 => 4,
            _ => 5,
        },
    };
    sink.add(M_FILE.at(file, pawn, usize::from(m.victim.is_some())));
    let origin = if s.origins.is_empty() {
        0
    } else if s.origins.contains(&m.from) {
        1
    } else {
        2
    };
    if origin > 0 {
        sink.add(M_ORIGIN.at(origin, usize::from(said.is_some()), 0));
    }
    if s.typed {
        let rank_fits = s
            .rank
            .is_none_or(|r| u32::from(m.from.rank()) == u32::from(r));
        sink.add(M_TYPED.at(
            usize::from(rank_fits),
            usize::from(m.victim.is_some() == s.capture),
            usize::from(s.mover.is_some_and(|x| x.0 == m.role)),
        ));
    }
    if let Some(short) = m.castle {
        let said = match s.castle {
            _ if s.echo => 3,
            None => 0,
            Some(true) => 1,
            Some(false) => 2,
        };
        sink.add(M_CASTLE.at(said, usize::from(short), 0));
    }
    if m.promotion.is_some() || s.promotion.is_some() {
        let a = usize::from(s.promotion.is_some());
        let b = if m.promotion.is_none() {
            0
        } else if m.promotion == s.promotion {
            1
        } else {
            2
        };
        sink.add(M_PROMOTION.at(a, b, 0));
    }
    let (mut rivals, mut others, mut pawn_rival) = (0, 0, false);
    for o in all {
        if o.index != found.index && o.cost <= found.cost + 0.3 {
            let other = moves[usize::from(o.index)].role;
            if other == m.role {
                rivals += 1;
            } else {
                others += 1;
            }
            pawn_rival |= other == Role::Pawn;
        }
    }
    let rivals = 3.min(rivals);
    sink.add(M_AMBIGUOUS.at(rivals, 3.min(others), kind));
    if event.kind == Kind::Square && said.is_none() {
        sink.add(M_PAWN_RIVAL.at(
            if pawn == 1 {
                2
            } else {
                usize::from(pawn_rival)
            },
            usize::from(s.capture),
            clarity,
        ));
    }
    if let Some(last) = forest.incoming(node) {
        let recapture = m.victim.is_some() && m.to == last.to;
        let taken = last.victim.is_some();
        sink.add(M_RECAPTURE.at(usize::from(recapture), usize::from(taken), kind));
        let chased = forest
            .position(node)
            .board()
            .attacks_from(last.to)
            .contains(m.from);
        if m.role != Role::Pawn && m.role != Role::King {
            sink.add(M_CHASED.at(usize::from(chased), kind, 0));
        }
    }
    let forced = match moves.len() {
        1 => 2,
        _ => usize::from(forest.in_check(node)),
    };
    sink.add(M_FORCED.at(forced, usize::from(m.role == Role::King), kind));
    let safety = safety(forest, node, m);
    sink.add(M_SAFE.at(safety, role, usize::from(m.victim.is_some())));
    if let Some(victim) = m.victim {
        let gain = (worth(victim) - worth(m.role)).signum() + 1 + i32::from(safety > 0);
        sink.add(M_GAIN.at(gain.clamp(0, 4) as usize, kind, 0));
    }
    let back = backward(turn, m);
    sink.add(M_BACKWARD.at(usize::from(s.left & ask.retreat != 0), back, pawn));
    if back > 0 {
        let parent = forest.node(node).parent.and_then(|p| forest.incoming(p));
        let home = parent.is_some_and(|p| p.from == m.to && p.to == m.from);
        sink.add(M_HOME.at(usize::from(s.left & ask.retreat != 0), usize::from(home), 0));
    }
    let phase = match forest.node(node).depth {
        0..=9 => 0,
        10..=23 => 1,
        _ => 2,
    };
    let start_rank = if turn == Color::White { 0 } else { 7 };
    let from_home = u32::from(m.from.rank()) == start_rank;
    let style = match m.role {
        Role::Pawn if ranks_passed(m) == 2 => 0,
        Role::Pawn if matches!(u32::from(m.to.file()), 2..=5) => 1,
        Role::Pawn => 2,
        Role::Knight | Role::Bishop if from_home => 3,
        Role::Knight | Role::Bishop => 4,
        Role::Queen if from_home => 5,
        Role::Queen => 6,
        Role::Rook => 7,
        Role::King if m.castle.is_some() => 8,
        Role::King => 9,
    };
    sink.add(M_OPENING.at(phase, style, 0));
    let usual = usize::from(outcome.usual);
    sink.add(M_USUAL.at(usual, kind, clarity));
    sink.add(M_USUAL_MAN.at(usual, role, usize::from(said.is_some())));
    let known = usize::from(usual > 1);
    sink.add(M_LEAVES.at(usize::from(outcome.leaves), role, known));
    let gained = m.victim.map_or(0, |v| step(worth(v)));
    sink.add(M_FREE.at(forest.free(node), gained, known));
    let double = style == 0;
    if event.kind == Kind::Piece {
        let told = usize::from(s.file.is_some()) + usize::from(s.steps.is_some());
        sink.add(M_TOLD.at(told, rivals, role));
    }
    if let Some(steps) = s.steps {
        let real = if pawn == 0 {
            0
        } else {
            1 + usize::from(double)
        };
        sink.add(M_STEPS.at(usize::from(steps), real, kind));
    }
    sink.add(M_PUSH.at(
        usize::from(s.left & ask.push != 0),
        if double { 2 } else { pawn },
        0,
    ));
}

fn coarse(rel: usize) -> usize {
    match rel {
        0 => 0,
        1 => 1,
        2 => 2,
        3..=9 => 3,
        13 => 5,
        _ => 4,
    }
}

/// Where a node lies, seen from the node on the board.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Place {
    /// 0 the board itself; 1 to 9 ancestors by distance; 10, 11 below it; 12 another branch; 13 another board.
    pub rel: usize,
    /// Distance in plies for ancestors.
    pub distance: u16,
}

impl Place {
    /// Six kinds: here, one back, two back, further back, elsewhere, another board.
    pub fn coarse(&self) -> usize {
        coarse(self.rel)
    }

    /// Place of an ancestor at a distance.
    pub fn ancestor(distance: u16, root: bool) -> Place {
        let rel = match distance {
            0 => 0,
            _ if root && distance > 3 => 9,
            1..=4 => usize::from(distance),
            5..=6 => 5,
            7..=9 => 6,
            10..=14 => 7,
            _ => 8,
        };
        Place { rel, distance }
    }
}

/// Bucket of a number of words.
pub fn gap_bucket(words: usize) -> usize {
    match words {
        0 => 0,
        1..=2 => 1,
        3..=5 => 2,
        6..=10 => 3,
        11..=20 => 4,
        21..=50 => 5,
        _ => 6,
    }
}

/// Bucket of a short distance in tokens.
pub fn near_bucket(tokens: usize) -> usize {
    match tokens {
        0 => 0,
        1..=2 => 1,
        3..=5 => 2,
        6..=10 => 3,
        11..=25 => 4,
        _ => 5,
    }
}

/// What stands between the last move played and an event: shared by all readings that played the same event last.
#[derive(Debug, Clone, Default)]
pub struct Between {
    /// Bucket of the words between.
    pub gap: usize,
    /// Word classes that occur.
    pub cues: u64,
    /// 0 no pause, 1 weak, 2 full, 3 several sentences.
    pub stop: usize,
    /// Whether castling was named and passed over.
    pub castles: bool,
    /// Sums of the weights that all moves of a place share, by [`Place::rel`].
    pub shared: [f32; 14],
    /// The most that the features of a place add, those of the [`Moment`] aside: by [`Place::rel`], whether the side to move
    /// there moved last, and whether the place was returned to.
    pub most: [[[f32; 2]; 2]; 14],
    /// The highest of them off the board, by whether the side to move moved last.
    pub anywhere: [f32; 2],
    /// Moves named and passed over, latest first.
    pub named: Vec<Named>,
    /// The move number said last.
    pub number: Option<u32>,
}

/// A move that was named and passed over.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Named {
    /// The piece, if it was said.
    pub role: Option<Role>,
    /// The square; `None` for castling.
    pub to: Option<Square>,
    /// How it relates to the move that comes.
    pub relation: Relation,
}

impl Named {
    /// Whether this may be the name of a move.
    pub fn fits(&self, m: &MoveFact) -> bool {
        match self.to {
            Some(to) => to == m.to && m.castle.is_none() && self.role.is_none_or(|r| r == m.role),
            None => m.castle.is_some(),
        }
    }
}

/// Moves named after one that may still relate to the move that comes, and that one.
const RELATED: usize = 2;

impl Between {
    /// The move named last with words that relate it to the one that comes, if it was named just now.
    pub fn related(&self) -> Option<&Named> {
        let mut last = self.named.iter().take(RELATED);
        last.find(|n| n.relation != Relation::None)
    }

    /// Whether a move was named: its square, and its piece where one was said.
    pub fn names(&self, m: &MoveFact) -> bool {
        self.named.iter().any(|n| n.fits(m))
    }
}

/// What a reading knows of itself when an event comes.
#[derive(Debug, Clone, Copy)]
pub struct Moment<'a> {
    /// Words since the last move played.
    pub between: &'a Between,
    /// Whether the event before was played (2), passed over (1) or there was none (0).
    pub before: usize,
    /// Distance from the event before.
    pub near: usize,
    /// Kind of the event before.
    pub before_kind: usize,
    /// What joins the event to the one before.
    pub link: usize,
    /// How thick the squares come in this lesson ([`density_bucket`]).
    pub density: usize,
    /// Whether the phrase overlaps with the one before.
    pub overlap: bool,
    /// Who "I", "you" and "he" are: moves of White less moves of Black said with that word.
    pub persons: [i8; 4],
    /// Colour that moved last.
    pub last_turn: Option<Color>,
}

/// A move from a place of the tree.
#[derive(Debug, Clone, Copy)]
pub struct Going<'f> {
    /// The node that it is played from.
    pub node: NodeId,
    /// Where the node lies.
    pub place: Place,
    /// The move.
    pub play: &'f MoveFact,
    /// Whether the tree has the move there already.
    pub edge: bool,
    /// How many moves the tree has there.
    pub children: usize,
    /// 1 for the place last returned to, 2 for the one before, 3 for any other returned to, 0 for none.
    pub fork: usize,
    /// The move told there last, if this one is new.
    pub replaced: Option<&'f MoveFact>,
    /// Whether a move there was named since the last move played.
    pub child_named: bool,
    /// Whether a move there was named with words that relate it to the move that comes.
    pub child_related: bool,
}

/// Features that all moves from a place share, whatever the tree: what was said since the last move.
pub fn shared_features(between: &Between, rel: usize, mut add: impl FnMut(usize)) {
    let coarse = coarse(rel);
    add(S_GAP.at(rel, between.gap, 0));
    add(S_STOP.at(coarse, between.stop, 0));
    let mut cues = between.cues;
    while cues != 0 {
        let bit = cues.trailing_zeros() as usize;
        cues &= cues - 1;
        add(S_CUE.at(coarse, bit, 0));
    }
}

/// Features of playing from a place, those of [`moment_features`] aside.
pub fn place_features(sink: &mut impl Sink, forest: &Forest, moment: &Moment, going: &Going) {
    let &Going {
        node,
        place,
        play,
        edge,
        children,
        fork,
        replaced,
        child_named,
        child_related,
    } = going;
    let coarse = place.coarse();
    let b = moment.between;
    sink.shared(b, place.rel);
    sink.add(S_EDGE.at(place.rel, usize::from(edge), usize::from(b.gap > 2)));
    if place.rel != 0 {
        sink.add(S_FORK.at(fork, usize::from(edge), coarse.min(4)));
        sink.add(S_CHILDREN.at(coarse, children.min(3), 0));
        let same_side = moment.last_turn.is_some_and(|t| t == forest.turn(node));
        sink.add(S_LAST.at(coarse, usize::from(same_side), 0));
        if let Some(old) = replaced {
            let style = if old.role == play.role {
                usize::from(old.to == play.to) + 1
            } else {
                0
            };
            sink.add(S_SAMEPIECE.at(style, role_index(play.role), 0));
        }
    } else {
        sink.add(S_FORK.at(fork, usize::from(edge), 0));
        sink.add(S_CHILDREN.at(0, children.min(3), 0));
    }
    if !b.named.is_empty() {
        let incoming = forest.incoming(node);
        let named = incoming.is_some_and(|m| b.names(m));
        let play_named = b.names(play);
        sink.add(S_NAMED.at(usize::from(named), usize::from(child_named), coarse.min(4)));
        if play_named {
            sink.add(S_NAMED.at(2, 2, coarse.min(4)));
        }
        if let Some(n) = b.related() {
            let state = if incoming.is_some_and(|m| n.fits(m)) {
                1
            } else if child_related {
                2
            } else {
                usize::from(n.fits(play)) * 3
            };
            sink.add(S_RELATION.at(n.relation as usize, state, coarse.min(4)));
        }
        let (mut yes, mut no) = (0, 0);
        for n in b.named.iter().take(4) {
            if let (Some(role), Some(square)) = (n.role, n.to) {
                match forest.piece_at(node, square) {
                    Some(piece) if piece.role == role => yes += 1,
                    _ => no += 1,
                }
            }
        }
        sink.add(S_SEEN.at(coarse, yes.min(3), no.min(3)));
    }
    if let Some(number) = b.number {
        let next = u32::from(forest.position(node).fullmoves());
        let last = match forest.turn(node) {
            Color::White => next - 1,
            Color::Black => next,
        };
        let fits = usize::from(next == number) + 2 * usize::from(last == number);
        sink.add(S_NUMBER.at(fits, coarse.min(4), usize::from(b.stop > 1)));
    }
    if place.rel == 13 {
        sink.add(S_NEWGAME.at(usize::from(edge), b.gap, 0));
    }
}

/// Features of playing a move of a colour now, on the board or elsewhere, wherever that is.
pub fn moment_features(
    sink: &mut impl Sink,
    event: &Event,
    moment: &Moment,
    on_board: bool,
    mover: Color,
) {
    let person = usize::from(event.slots.person);
    let lean = moment.persons[person];
    let lean = if mover == Color::White { lean } else { -lean };
    let bucket = match lean {
        i8::MIN..=-4 => 0,
        -3..=-2 => 1,
        -1 => 2,
        0 => 3,
        1 => 4,
        2..=3 => 5,
        _ => 6,
    };
    sink.add(S_PERSON.at(person, bucket, 0));
    sink.add(S_PREV.at(
        moment.before,
        moment.near,
        kind_index(event.kind) + if on_board { 0 } else { KINDS },
    ));
    if moment.overlap {
        sink.add(S_OVERLAP.at(
            moment.before.min(1),
            moment.before_kind,
            kind_index(event.kind),
        ));
    }
}

// The search prunes by the most that the features of a place may add up to. The parts below together bound what
// `place_features` adds besides `shared_features`: a feature that is added there must be reckoned with in one of them. (The
// search asserts in debug builds that none is forgotten.)

fn most(weights: &[f32], features: impl IntoIterator<Item = usize>) -> f32 {
    features
        .into_iter()
        .map(|f| weights[f])
        .fold(f32::MIN, f32::max)
}

/// What the side to move at a place adds.
pub fn most_of_side(weights: &[f32], rel: usize, same_side: bool) -> f32 {
    match rel {
        0 => 0.0,
        _ => weights[S_LAST.at(coarse(rel), usize::from(same_side), 0)],
    }
}

/// The most that the moves of the tree at a place add; `returned` for a place that was returned to, `long` where more than a
/// few words were said since the last move.
pub fn most_of_tree(weights: &[f32], rel: usize, returned: bool, long: bool) -> f32 {
    let coarse = coarse(rel);
    let forks = if returned { 1..4 } else { 0..1 };
    let way = |edge: usize| {
        let side = if rel == 0 { 0 } else { coarse.min(4) };
        // No move there is the move itself, and none is replaced, where there are none.
        let children = most(weights, (edge..4).map(|n| S_CHILDREN.at(coarse, n, 0)));
        let replaced = if rel == 0 || edge == 1 {
            0.0
        } else {
            let styles = (0..3).flat_map(|style| (0..6).map(move |role| (style, role)));
            most(weights, styles.map(|(s, r)| S_SAMEPIECE.at(s, r, 0))).max(0.0)
        };
        let newgame = match rel {
            13 => most(weights, (0..7).map(|gap| S_NEWGAME.at(edge, gap, 0))),
            _ => 0.0,
        };
        weights[S_EDGE.at(rel, edge, usize::from(long))]
            + most(weights, forks.clone().map(|f| S_FORK.at(f, edge, side)))
            + children
            + replaced
            + newgame
    };
    way(0).max(way(1))
}

/// The most that what was named and passed over adds at a place: moves, and a move number.
pub fn most_of_named(weights: &[f32], between: &Between, rel: usize) -> f32 {
    let named = &between.named;
    let coarse = coarse(rel);
    let side = coarse.min(4);
    let number = match between.number {
        Some(_) => most(
            weights,
            (0..4).map(|fits| S_NUMBER.at(fits, side, usize::from(between.stop > 1))),
        ),
        None => 0.0,
    };
    if named.is_empty() {
        return number;
    }
    let related = match between.related() {
        Some(n) => most(
            weights,
            (0..4).map(|state| S_RELATION.at(n.relation as usize, state, side)),
        ),
        None => 0.0,
    };
    let men = named.iter().take(4).filter(|n| n.role.is_some()).count();
    let ways = [(0, 0), (0, 1), (1, 0), (1, 1)];
    number
        + related
        + most(weights, ways.map(|(a, b)| S_NAMED.at(a, b, side)))
        + weights[S_NAMED.at(2, 2, side)].max(0.0)
        + most(
            weights,
            (0..=men).map(|yes| S_SEEN.at(coarse, yes.min(3), (men - yes).min(3))),
        )
}

/// Moves that may have been made without being said (or heard) before the next move of the other side, with the reason:
/// 0 the taking back, 1 castling that was spoken of. (Any move of a piece that was named, and any capture where one was
/// named, found fewer moves in held-out lessons.)
pub fn unsaid(forest: &Forest, node: NodeId, between: &Between, out: &mut Vec<(u16, u8)>) {
    out.clear();
    let last = forest.incoming(node);
    for (i, m) in forest.moves(node).iter().enumerate() {
        if m.promotion.is_some_and(|p| p != Role::Queen) {
            continue;
        }
        let recapture =
            m.victim.is_some() && last.is_some_and(|l| l.victim.is_some() && l.to == m.to);
        let reason = if recapture {
            0
        } else if m.castle.is_some() && between.castles {
            1
        } else {
            continue;
        };
        out.push((i as u16, reason));
    }
}

/// Features of a move that nobody said.
pub fn unsaid_features(sink: &mut impl Sink, forest: &Forest, node: NodeId, fill: (u16, u8)) {
    let m = &forest.moves(node)[usize::from(fill.0)];
    sink.add(S_FILL.at(
        usize::from(fill.1),
        role_index(m.role),
        usize::from(m.victim.is_some()),
    ));
    let safety = safety(forest, node, m);
    sink.add(S_UNSAID_SAFE.at(safety, role_index(m.role), usize::from(m.victim.is_some())));
}

/// Passing an event over.
#[derive(Debug, Clone, Copy)]
pub struct Passing {
    /// The node on the board.
    pub cursor: NodeId,
    /// Best quality of a match on the board; 0 for none.
    pub best: u8,
    /// Its sound distance bucket.
    pub cost: usize,
    /// Best match in the rest of the tree: 2 for a clean one, 1 for another, 0 for none.
    pub elsewhere: u8,
    /// How often the square was named since the last move played.
    pub repeat: usize,
}

/// Features of passing an event over.
pub fn none_features(
    sink: &mut impl Sink,
    forest: &Forest,
    event: &Event,
    moment: &Moment,
    passing: &Passing,
    clarity: usize,
    ask: &Ask,
) {
    let &Passing {
        cursor,
        best,
        cost,
        elsewhere,
        repeat,
    } = passing;
    let kind = kind_index(event.kind);
    sink.add(N_PREV.at(moment.before, moment.near, kind));
    sink.add(N_LINK.at(moment.before, moment.link, kind));
    sink.add(N_DENSITY.at(moment.density, moment.before, kind));
    sink.add(N_MATCH.at(
        kind,
        usize::from(best).min(3) + usize::from(best == 3 && cost > 1),
        clarity,
    ));
    sink.add(N_ELSE.at(
        kind,
        usize::from(elsewhere.min(2)),
        usize::from(best > 0) + usize::from(best > 2),
    ));
    if let (Kind::Square, Some(reading)) = (event.kind, event.squares.first()) {
        let mover = event.slots.mover.map(|m| m.0);
        let occupant = forest.piece_at(cursor, reading.white);
        let state = match (occupant, mover) {
            (None, None) => 0,
            (None, Some(_)) => 1,
            (Some(_), None) => 2,
            (Some(p), Some(role)) if p.role == role => 3,
            (Some(_), Some(_)) => 4,
        };
        let distance = event
            .slots
            .mover
            .map_or(0, |(_, d)| if d <= 2 { 1 } else { 2 });
        sink.add(N_PIECE.at(
            state,
            distance,
            usize::from(event.slots.left & ask.standing != 0),
        ));
        let mut at = Some(cursor);
        for back in 0..3 {
            let Some(node) = at else { break };
            if let Some(last) = forest.incoming(node) {
                if last.to == reading.white {
                    sink.add(N_LAST.at(
                        back,
                        if mover.is_none() {
                            0
                        } else {
                            1 + usize::from(mover == Some(last.role))
                        },
                        usize::from(moment.between.gap > 3),
                    ));
                    break;
                }
                if back == 0 && last.from == reading.white {
                    sink.add(N_LAST.at(
                        4,
                        usize::from(mover.is_some()),
                        usize::from(moment.between.gap > 3),
                    ));
                }
            }
            at = forest.node(node).parent;
        }
        sink.add(N_REPEAT.at(repeat.min(2), moment.between.gap.min(5), 0));
    }
}
