//! Positions and what is true in them.
//!
//! A [`Forest`] interns every position that any reading of the lesson reaches, as (parent, move), so that a reading is a
//! set of small numbers and the legal moves of a position are found once.

mod openings;

use std::cell::OnceCell;

use shakmaty::san::SanPlus;
use shakmaty::{
    Bitboard, Board, CastlingMode, Chess, Color, File, Move, Piece, Position, Role, Square,
};

/// A node of the forest.
pub type NodeId = u32;

/// A legal move with the facts that phrases ask for.
#[derive(Debug, Clone)]
pub struct MoveFact {
    /// The move.
    pub play: Move,
    /// Square that the piece leaves.
    pub from: Square,
    /// Square of arrival; for castling the square on which the king ends.
    pub to: Square,
    /// Piece that moves.
    pub role: Role,
    /// Piece that is taken.
    pub victim: Option<Role>,
    /// Castling: `Some(true)` on the king's side.
    pub castle: Option<bool>,
    /// Piece that a pawn turns into.
    pub promotion: Option<Role>,
    outcome: OnceCell<Outcome>,
}

/// What one of a node's moves leads to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Outcome {
    /// What it does to the other king.
    pub effect: Effect,
    /// How usual it is in openings: 0 where no opening line knows the position, 1 where none knows the move, 2 to 4 for a
    /// rare, a usual and a frequent one.
    pub usual: u8,
    /// What the mover leaves to be taken behind it, in the steps of [`step`].
    pub leaves: u8,
}

/// What a move does to the other king.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Effect {
    /// No check.
    Quiet,
    /// Check.
    Check,
    /// Checkmate.
    Mate,
}

/// Where a position stands among the others.
#[derive(Debug, Clone, Copy)]
pub struct Node {
    /// Position before the move; `None` for the start of a board.
    pub parent: Option<NodeId>,
    /// Start of the board that it belongs to.
    pub root: NodeId,
    /// Index of the move among the legal moves of the parent.
    pub by: u16,
    /// Plies from the start of the board.
    pub depth: u16,
    /// Side to move.
    pub turn: Color,
}

/// A position with what was found out about it.
#[derive(Debug)]
struct Facts {
    position: Chess,
    moves: OnceCell<Vec<MoveFact>>,
    targets: OnceCell<Bitboard>,
    lines: OnceCell<u16>,
    in_check: OnceCell<bool>,
    free: OnceCell<usize>,
    attacked: OnceCell<[Bitboard; 2]>,
    children: Vec<(u16, NodeId)>,
}

/// All positions reached by any reading.
#[derive(Debug, Default)]
pub struct Forest {
    nodes: Vec<Node>,
    facts: Vec<Facts>,
}

/// Worth of a piece in pawns (common practice).
pub fn worth(role: Role) -> i32 {
    match role {
        Role::Pawn => 1,
        Role::Knight | Role::Bishop => 3,
        Role::Rook => 5,
        Role::Queen => 9,
        Role::King => 99,
    }
}

/// What a side may lose at once on a board, in steps, by the cheapest attacker and a look at whether the man is defended.
fn loose(board: &Board, side: Color) -> usize {
    let occupied = board.occupied();
    let enemies = board.by_color(!side);
    let pawns = enemies & board.pawns();
    let forward = side.fold_wb(-8, 8);
    let mut attacked = (pawns & !Bitboard::from_file(File::A)).shift(forward - 1)
        | (pawns & !Bitboard::from_file(File::H)).shift(forward + 1);
    for enemy in enemies & !pawns {
        attacked |= board.attacks_from(enemy);
    }
    let mut most = 0;
    for square in board.by_color(side) & !board.kings() & attacked {
        let attackers = board.attacks_to(square, !side, occupied);
        let Some(cheapest) = attackers
            .into_iter()
            .filter_map(|a| board.role_at(a))
            .map(worth)
            .min()
        else {
            continue;
        };
        let value = board.role_at(square).map_or(0, worth);
        let defended = !board.attacks_to(square, side, occupied).is_empty();
        most = most.max(if defended { value - cheapest } else { value });
    }
    step(most)
}

/// A worth in pawns in five steps: 0 nothing, 1 a pawn or two, 2 a minor piece, 3 a rook, 4 more.
pub fn step(worth: i32) -> usize {
    match worth {
        i32::MIN..=0 => 0,
        1..=2 => 1,
        3..=4 => 2,
        5 => 3,
        _ => 4,
    }
}

impl Forest {
    /// An empty forest.
    pub fn new() -> Forest {
        Forest::default()
    }

    /// Adds a board that starts from a position.
    pub fn add_root(&mut self, position: Chess) -> NodeId {
        let root = self.nodes.len() as NodeId;
        self.add(None, root, 0, 0, position)
    }

    fn add(
        &mut self,
        parent: Option<NodeId>,
        root: NodeId,
        by: u16,
        depth: u16,
        position: Chess,
    ) -> NodeId {
        self.nodes.push(Node {
            parent,
            root,
            by,
            depth,
            turn: position.turn(),
        });
        self.facts.push(Facts {
            position,
            moves: OnceCell::new(),
            targets: OnceCell::new(),
            lines: OnceCell::new(),
            in_check: OnceCell::new(),
            free: OnceCell::new(),
            attacked: OnceCell::new(),
            children: Vec::new(),
        });
        self.nodes.len() as NodeId - 1
    }

    /// Where the position of a node stands.
    #[inline]
    pub fn node(&self, id: NodeId) -> Node {
        self.nodes[id as usize]
    }

    /// The position of a node.
    pub fn position(&self, id: NodeId) -> &Chess {
        &self.facts(id).position
    }

    fn facts(&self, id: NodeId) -> &Facts {
        &self.facts[id as usize]
    }

    /// Number of nodes.
    pub fn len(&self) -> usize {
        self.nodes.len()
    }

    /// Whether no position was added yet.
    pub fn is_empty(&self) -> bool {
        self.nodes.is_empty()
    }

    /// The legal moves of a node.
    pub fn moves(&self, id: NodeId) -> &[MoveFact] {
        let facts = self.facts(id);
        facts.moves.get_or_init(|| {
            facts
                .position
                .legal_moves()
                .into_iter()
                .map(|play| {
                    let castle = play.castling_side().map(|s| s.is_king_side());
                    let from = play.from().unwrap_or(Square::A1);
                    let to = match play.castling_side() {
                        Some(side) => side.king_to(self.turn(id)),
                        None => play.to(),
                    };
                    MoveFact {
                        from,
                        to,
                        role: play.role(),
                        victim: play.capture(),
                        castle,
                        promotion: play.promotion(),
                        play,
                        outcome: OnceCell::new(),
                    }
                })
                .collect()
        })
    }

    /// The position behind one of a node's moves.
    fn after(&self, id: NodeId, fact: &MoveFact) -> Chess {
        let mut position = self.position(id).clone();
        position.play_unchecked(fact.play);
        position
    }

    /// What one of a node's moves leads to.
    pub fn outcome(&self, id: NodeId, index: u16) -> Outcome {
        let fact = &self.moves(id)[usize::from(index)];
        *fact.outcome.get_or_init(|| {
            let after = self.after(id, fact);
            let effect = if !after.is_check() {
                Effect::Quiet
            } else if after.legal_moves().is_empty() {
                Effect::Mate
            } else {
                Effect::Check
            };
            let facts = self.facts(id);
            let here = *facts
                .lines
                .get_or_init(|| openings::lines_through(&facts.position));
            let usual = match here {
                0 => 0,
                _ => match f32::from(openings::lines_through(&after)) / f32::from(here) {
                    0.0 => 1,
                    share if share < 0.05 => 2,
                    share if share < 0.3 => 3,
                    _ => 4,
                },
            };
            Outcome {
                effect,
                usual,
                leaves: loose(after.board(), self.turn(id)) as u8,
            }
        })
    }

    /// Whether the side to move is in check.
    pub fn in_check(&self, id: NodeId) -> bool {
        let facts = self.facts(id);
        *facts.in_check.get_or_init(|| facts.position.is_check())
    }

    /// What the side that is not to move has left to be taken, in the steps of [`step`].
    pub fn free(&self, id: NodeId) -> usize {
        let facts = self.facts(id);
        *facts
            .free
            .get_or_init(|| loose(facts.position.board(), !self.turn(id)))
    }

    /// The node behind one of a node's moves, if any reading has gone there.
    pub fn child(&self, id: NodeId, index: u16) -> Option<NodeId> {
        self.children(id).iter().find(|c| c.0 == index).map(|c| c.1)
    }

    /// The moves of a node that any reading has played, with the nodes behind them, in the order of their first use.
    pub fn children(&self, id: NodeId) -> &[(u16, NodeId)] {
        &self.facts(id).children
    }

    /// Squares that a node's moves other than castling go to.
    pub fn targets(&self, id: NodeId) -> Bitboard {
        *self.facts(id).targets.get_or_init(|| {
            self.moves(id)
                .iter()
                .filter(|m| m.castle.is_none())
                .map(|m| m.to)
                .collect()
        })
    }

    /// The node behind one of a node's moves.
    pub fn play(&mut self, id: NodeId, index: u16) -> NodeId {
        if let Some(child) = self.child(id, index) {
            return child;
        }
        let position = self.after(id, &self.moves(id)[usize::from(index)]);
        let node = self.node(id);
        let child = self.add(Some(id), node.root, index, node.depth + 1, position);
        self.facts[id as usize].children.push((index, child));
        child
    }

    /// The move that led to a node.
    pub fn incoming(&self, id: NodeId) -> Option<&MoveFact> {
        let node = self.node(id);
        node.parent
            .map(|parent| &self.moves(parent)[usize::from(node.by)])
    }

    /// Index of a move among the legal moves of a node.
    pub fn index_of(&self, id: NodeId, play: Move) -> Option<u16> {
        self.moves(id)
            .iter()
            .position(|m| m.play == play)
            .map(|i| i as u16)
    }

    /// The piece on a square.
    pub fn piece_at(&self, id: NodeId, square: Square) -> Option<Piece> {
        self.position(id).board().piece_at(square)
    }

    /// Squares attacked by a colour's pawns and minor pieces \[pawns, all\] of the side that is not to move.
    pub fn attacked(&self, id: NodeId) -> [Bitboard; 2] {
        let facts = self.facts(id);
        *facts.attacked.get_or_init(|| {
            let board = facts.position.board();
            let enemy = !self.turn(id);
            let mut pawns = Bitboard::EMPTY;
            let mut all = Bitboard::EMPTY;
            for square in board.by_color(enemy) {
                let attacks = board.attacks_from(square);
                all |= attacks;
                if board.role_at(square) == Some(Role::Pawn) {
                    pawns |= attacks;
                }
            }
            [pawns, all]
        })
    }

    /// The move in coordinates, castling as the king's two-square step.
    pub fn uci(&self, play: Move) -> String {
        play.to_uci(CastlingMode::Standard).to_string()
    }

    /// One of a node's moves in Standard Algebraic Notation.
    pub fn san(&self, id: NodeId, index: u16) -> String {
        let play = self.moves(id)[usize::from(index)].play;
        SanPlus::from_move(self.position(id).clone(), play).to_string()
    }

    /// Side to move.
    #[inline]
    pub fn turn(&self, id: NodeId) -> Color {
        self.node(id).turn
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn positions_are_interned_by_parent_and_move() {
        let mut forest = Forest::new();
        let root = forest.add_root(Chess::default());
        assert_eq!(forest.moves(root).len(), 20);
        let a = forest.play(root, 3);
        assert_eq!(forest.play(root, 3), a);
        assert_ne!(forest.play(root, 4), a);
    }
}
