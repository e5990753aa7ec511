//! Lessons told by rule: trees of moves put into plain words, for tests of the machinery and for the fit.
//!
//! A narration is a main line of 10 to 30 plies with two to four variations. Its moves are drawn at random from the
//! legal ones (the rules library shakmaty gives them), with a liking for developing, capturing and not giving pieces
//! away, behind some plies of a known opening. It is told by rule: each move names its piece and square, with the
//! square that it comes from where two pieces could go there; each variation and each return is announced, and names
//! the move that it returns to. Nothing is left to guess.

use std::collections::BTreeSet;

use shakmaty::fen::Fen;
use shakmaty::san::{San, SanPlus};
use shakmaty::{
    CastlingMode, CastlingSide, Chess, Color, EnPassantMode, Move, Position, Role, attacks,
};

use super::source::Source;

const OPENINGS: [&str; 14] = [
    "e4 e5 Nf3 Nc6 Bb5 a6 Ba4 Nf6",
    "e4 e5 Nf3 Nc6 Bc4 Bc5 c3 Nf6",
    "e4 c5 Nf3 d6 d4 cxd4 Nxd4 Nf6",
    "e4 e6 d4 d5 Nc3 Bb4 e5 c5",
    "e4 c6 d4 d5 Nc3 dxe4 Nxe4 Bf5",
    "e4 d5 exd5 Qxd5 Nc3 Qa5 d4 Nf6",
    "d4 d5 c4 e6 Nc3 Nf6 Bg5 Be7",
    "d4 d5 c4 c6 Nf3 Nf6 Nc3 dxc4",
    "d4 Nf6 c4 g6 Nc3 Bg7 e4 d6",
    "d4 Nf6 c4 e6 Nc3 Bb4 e3 O-O",
    "d4 f5 g3 Nf6 Bg2 e6 Nf3 Be7",
    "c4 e5 Nc3 Nf6 g3 d5 cxd5 Nxd5",
    "Nf3 d5 g3 Nf6 Bg2 e6 O-O Be7",
    "e4 e5 f4 exf4 Nf3 g5 h4 g4",
];

/// Positions given beside the narration, for one in ten: there, pawns get to the last rank.
const ENDINGS: [&str; 3] = [
    "4k3/P4ppp/8/8/8/8/p4PPP/4K3 w - - 0 1",
    "2r3k1/1P3ppp/8/3n4/8/4B3/5PpP/1K5R w - - 0 1",
    "8/2k2P2/1p6/p5pP/P5p1/1P6/2K2p2/8 w - - 0 1",
];

/// Splitmix64: a published generator of few lines (Steele, Lea and Flood 2014; constants from memory).
struct Random(u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    fn below(&mut self, n: usize) -> usize {
        (self.next() % n as u64) as usize
    }

    fn chance(&mut self, percent: u64) -> bool {
        self.next() % 100 < percent
    }

    fn pick<'a, T: ?Sized>(&mut self, list: &[&'a T]) -> &'a T {
        list[self.below(list.len())]
    }
}

fn worth(role: Role) -> u32 {
    crate::board::worth(role).unsigned_abs()
}

/// How a player might like a move, in no unit.
fn liking(position: &Chess, m: Move) -> u32 {
    if m.castling_side().is_some() {
        return 60;
    }
    let mut score = match m.role() {
        Role::Pawn => 6,
        Role::Knight | Role::Bishop => 10,
        Role::Rook | Role::Queen => 5,
        Role::King => 1,
    };
    if m.promotion().is_some() {
        score += 60;
    }
    let gain = m.capture().map_or(0, worth);
    score += 4 * gain;
    let board = position.board();
    let enemy = board.by_color(!position.turn());
    let occupied = board.occupied();
    let guarded = (board.attacks_to(m.to(), !position.turn(), occupied) & enemy).any();
    let by_pawn = (attacks::pawn_attacks(position.turn(), m.to()) & board.pawns() & enemy).any();
    if (guarded && worth(m.role()) > gain.max(1)) || (by_pawn && m.role() != Role::Pawn) {
        score = score.div_ceil(12);
    }
    score
}

fn draw(random: &mut Random, position: &Chess, except: &[Move]) -> Option<Move> {
    let legal = position.legal_moves();
    let moves: Vec<Move> = legal.into_iter().filter(|m| !except.contains(m)).collect();
    let total: u32 = moves.iter().map(|&m| liking(position, m)).sum();
    let mut left = random.below(total.max(1) as usize) as u32;
    moves.into_iter().find(|&m| {
        let score = liking(position, m);
        let found = left < score;
        left = left.saturating_sub(score);
        found
    })
}

/// A move told.
#[derive(Debug, Clone)]
pub struct Told {
    /// The move before.
    pub parent: usize,
    /// The move; `None` for the start.
    pub play: Option<Move>,
    /// The position after it.
    pub position: Chess,
    /// Plies from the start.
    pub ply: usize,
    /// Kind of the step that led to where it was said, and of its wording, with a colon between.
    pub wording: String,
}

/// A tree with its telling.
#[derive(Debug, Clone, Default)]
pub struct Narration {
    /// The start, then the moves in the order in which they are told.
    pub nodes: Vec<Told>,
    /// The body of a lesson source: the words with their key.
    pub text: String,
    /// The main line as indices of nodes.
    pub main: Vec<usize>,
    seed: u64,
}

fn name(role: Role) -> &'static str {
    match role {
        Role::Pawn => "pawn",
        Role::Knight => "knight",
        Role::Bishop => "bishop",
        Role::Rook => "rook",
        Role::Queen => "queen",
        Role::King => "king",
    }
}

fn colour(color: Color) -> &'static str {
    color.fold_wb("white", "black")
}

/// The move in words, and the kind of wording. `noun` asks for a form that can stand behind "after" or "instead of".
fn words(random: &mut Random, position: &Chess, m: Move, noun: bool) -> (String, String) {
    if let Some(side) = m.castling_side() {
        let (wing, short) = match side {
            CastlingSide::KingSide => ("kingside", "short"),
            CastlingSide::QueenSide => ("queenside", "long"),
        };
        let wing = if random.chance(60) { wing } else { short };
        let verb = if noun { "castling" } else { "castles" };
        return (format!("{verb} {wing}"), format!("{verb} {wing}"));
    }
    let (from, to) = (m.from().expect("a board move has an origin"), m.to());
    let rivals = position
        .legal_moves()
        .into_iter()
        .filter(|r| r.role() == m.role() && r.to() == to && r.from() != m.from());
    let alone = rivals.count() == 0;
    let piece = name(m.role());
    let file = from.file().char();
    let victim = m.capture().map(name);
    let mut forms: Vec<(String, &str)> = Vec::new();
    match (m.role(), victim) {
        (Role::Pawn, None) => {
            forms.push((format!("{to}"), "square"));
            forms.push((format!("pawn to {to}"), "pawn to square"));
            forms.push((format!("pawn {to}"), "pawn square"));
        }
        (Role::Pawn, Some(victim)) => {
            forms.push((format!("{file} takes {to}"), "file takes square"));
            forms.push((
                format!("the {file} pawn takes on {to}"),
                "file pawn takes on square",
            ));
            // As a name for the move, the file tells it from other pawns' captures there.
            if alone && !noun {
                forms.push((format!("pawn takes {to}"), "pawn takes square"));
                if !m.is_en_passant() {
                    forms.push((
                        format!("the pawn takes the {victim} on {to}"),
                        "pawn takes victim on square",
                    ));
                }
            }
        }
        (_, None) if alone => {
            forms.push((format!("{piece} {to}"), "piece square"));
            forms.push((format!("{piece} to {to}"), "piece to square"));
            forms.push((format!("the {piece} to {to}"), "the piece to square"));
            if !noun {
                forms.push((
                    format!("the {piece} goes to {to}"),
                    "the piece goes to square",
                ));
            }
        }
        (_, Some(victim)) if alone => {
            forms.push((format!("{piece} takes {to}"), "piece takes square"));
            forms.push((
                format!("the {piece} takes on {to}"),
                "the piece takes on square",
            ));
            forms.push((format!("{piece} captures {to}"), "piece captures square"));
            forms.push((
                format!("the {piece} takes the {victim} on {to}"),
                "the piece takes victim on square",
            ));
        }
        (_, None) => {
            forms.push((
                format!("the {piece} from {from} to {to}"),
                "piece from square to square",
            ));
            forms.push((
                format!("{piece} from {from} goes to {to}"),
                "piece from square goes to square",
            ));
        }
        (_, Some(_)) => {
            forms.push((
                format!("the {piece} from {from} takes on {to}"),
                "piece from square takes on square",
            ));
            forms.push((
                format!("the {piece} on {from} takes {to}"),
                "piece on square takes square",
            ));
        }
    }
    let (mut text, kind) = forms.swap_remove(random.below(forms.len()));
    let mut kind = kind.to_owned();
    if m.is_en_passant() {
        text += " en passant";
        kind += " en passant";
    }
    if let Some(role) = m.promotion() {
        let ways = if noun {
            ["promoting to a"; 2]
        } else {
            ["and promotes to a", "promotes to a"]
        };
        text = format!("{text} {} {}", random.pick(&ways), name(role));
        kind += " promotes";
    }
    if !noun {
        let mut after = position.clone();
        after.play_unchecked(m);
        if after.is_checkmate() {
            text += random.pick(&[", checkmate", ", and that is mate"]);
        } else if after.is_check() {
            text += random.pick(&[", check", " with check", ", giving check"]);
        }
    }
    (text, kind)
}

impl Narration {
    /// The text of a lesson source.
    pub fn lesson(&self) -> String {
        let formats = ["vtt", "rolling", "srt", "txt", "json"];
        let fen = Fen::from_position(&self.nodes[0].position, EnPassantMode::Legal);
        let start = match self.nodes[0].position == Chess::default() {
            true => "{start}".to_owned(),
            false => format!("{{start {fen}}}"),
        };
        format!(
            "title: A narration by rule\nlanguage: en\nformat: {}\nspeed: 150\ncase: normal\n---\n{start} {}\n",
            formats[(self.seed % 5) as usize],
            self.text
        )
    }

    /// The narration as a lesson with its key.
    ///
    /// # Panics
    /// Never: what is told here is legal.
    pub fn source(&self) -> Source {
        let text = self.lesson();
        Source::parse(&format!("narration-{}", self.seed), &text)
            .unwrap_or_else(|e| unreachable!("{e}\n{text}"))
    }

    fn add(&mut self, parent: usize, m: Move, wording: String) -> usize {
        let mut position = self.nodes[parent].position.clone();
        position.play_unchecked(m);
        let ply = self.nodes[parent].ply + 1;
        self.nodes.push(Told {
            parent,
            play: Some(m),
            position,
            ply,
            wording,
        });
        self.nodes.len() - 1
    }

    fn children(&self, at: usize) -> Vec<Move> {
        let told = self.nodes.iter().skip(1).filter(|n| n.parent == at);
        told.filter_map(|n| n.play).collect()
    }

    /// The move in notation; `None` for the start.
    pub fn san(&self, id: usize) -> Option<String> {
        let play = self.nodes[id].play?;
        Some(San::from_move(&self.nodes[self.nodes[id].parent].position, play).to_string())
    }

    /// Whether a move told stands alone under its name, so that its name tells the position.
    fn unique(&self, id: usize) -> bool {
        let san = self.san(id);
        san.is_some()
            && (1..self.nodes.len())
                .filter(|&i| self.san(i) == san)
                .count()
                == 1
    }

    fn mention(&self, random: &mut Random, id: usize) -> String {
        let node = &self.nodes[id];
        let before = &self.nodes[node.parent].position;
        node.play
            .map_or_else(String::new, |m| words(random, before, m, true).0)
    }

    fn sentence(&mut self, text: &str) {
        if !self.text.is_empty() {
            self.text
                .push_str(if self.text.ends_with('.') { " " } else { ". " });
        }
        let text = match text.split_once("} ").filter(|_| text.starts_with('{')) {
            Some((directive, rest)) => {
                self.text.push_str(directive);
                self.text.push_str("} ");
                rest
            }
            None => text,
        };
        let text = text.strip_prefix('[').map_or(text, |rest| {
            self.text.push('[');
            rest
        });
        let mut chars = text.chars();
        self.text
            .extend(chars.next().into_iter().flat_map(char::to_uppercase));
        self.text.push_str(chars.as_str());
    }

    /// Plays and tells a move from a node; `intro` stands before it in the same sentence.
    fn tell(
        &mut self,
        random: &mut Random,
        at: usize,
        m: Move,
        intro: Option<&str>,
        step: &str,
    ) -> usize {
        let turn = colour(self.nodes[at].position.turn());
        let (said, kind) = words(random, &self.nodes[at].position.clone(), m, false);
        let castles = m.castling_side().is_some();
        // Has a verb of its own.
        let clause =
            m.is_capture() || castles || said.contains(" goes to ") || said.contains(" promotes ");
        let san = SanPlus::from_move(self.nodes[at].position.clone(), m);
        let said = format!("[{said}]{{{san}}}{{mark n{}}}", self.nodes.len());
        let clause_text = match intro {
            Some(intro) if castles => format!("{intro}, {turn} {said}"),
            Some(intro) if clause => format!("{intro}, {said}"),
            Some(intro) if !step.starts_with("back") && random.chance(50) => {
                format!("{intro}, {turn} could play {said}")
            }
            Some(intro) => format!("{intro}, {turn} plays {said}"),
            None if castles => format!("{turn} {said}"),
            None if clause && random.chance(30) => format!("then {said}"),
            None if clause => said,
            None => match (random.below(6), self.nodes[at].position.turn()) {
                (0 | 1, _) => format!("{turn} plays {said}"),
                (2, Color::Black) => format!("black answers {said}"),
                (2, Color::White) => format!("white continues with {said}"),
                (3, _) => format!("now {said}"),
                (4, _) => format!("then {turn} plays {said}"),
                _ => said,
            },
        };
        if intro.is_some() || !random.chance(55) || self.text.is_empty() || self.text.ends_with('.')
        {
            self.sentence(&clause_text);
        } else {
            self.text.push_str(", ");
            self.text.push_str(&clause_text);
        }
        let id = self.add(at, m, format!("{step}: {kind}"));
        if random.chance(12) {
            let remark = random.pick(&[
                "That is a natural move.",
                "This has been known for a long time.",
                "Nothing special so far.",
                "It is easy to understand.",
                "We will look at this more closely.",
            ]);
            self.sentence(remark);
        }
        id
    }
}

fn position(fen: &str) -> Chess {
    let fen: Fen = fen.parse().expect("a position");
    fen.into_position(CastlingMode::Standard)
        .expect("a position")
}

/// The narration of a seed.
pub fn narrate(seed: u64) -> Narration {
    let random = &mut Random(seed);
    let mut n = Narration {
        seed,
        ..Narration::default()
    };
    let ending = random.chance(10);
    let start = if ending {
        position(random.pick(&ENDINGS))
    } else {
        Chess::default()
    };
    n.nodes.push(Told {
        parent: 0,
        play: None,
        position: start,
        ply: 0,
        wording: String::new(),
    });
    let opening: Vec<&str> = random.pick(&OPENINGS).split(' ').collect();
    let mut known = random.below(opening.len() + 1);
    if ending {
        known = 0;
    }
    let length = 10 + random.below(21);
    let variations = 2 + random.below(3);
    // The plies of the main line behind which a variation is told.
    let mut stops = BTreeSet::new();
    while stops.len() < variations {
        stops.insert(4 + random.below(length - 4));
    }
    let mut at = 0;
    let mut intro: Option<String> = None;
    let mut step = "goes on";
    for ply in 0..length {
        let position = n.nodes[at].position.clone();
        let m = match opening.get(ply).filter(|_| ply < known) {
            Some(san) => {
                let san: SanPlus = san.parse().expect("an opening");
                san.san.to_move(&position).expect("an opening")
            }
            None => match draw(random, &position, &n.children(at)) {
                Some(m) => m,
                None => break,
            },
        };
        at = n.tell(random, at, m, intro.take().as_deref(), step);
        step = "goes on";
        n.main.push(at);
        if stops.contains(&(ply + 1))
            && n.unique(at)
            && !n.nodes[at].position.is_game_over()
            && vary(random, &mut n)
        {
            let last = n.mention(random, at);
            let side = colour(!n.nodes[at].position.turn());
            let number = n.nodes[at].ply.div_ceil(2);
            let castled = n.nodes[at]
                .play
                .is_some_and(|m| m.castling_side().is_some());
            let way = random.below(if castled { 3 } else { 4 });
            step = [
                "back to the position after",
                "back to the main line after",
                "back to the position after move",
                "back to the main line where",
            ][way];
            let to = format!("{{to n{at}}} ");
            intro = Some(match way {
                0 => format!("{to}back to the position after {last}"),
                1 => format!("{to}let's go back to the main line, after {last}"),
                2 => format!("{to}back to the position after move {number}, {last}"),
                _ => format!("{to}going back to the main line, where {side} played {last}"),
            });
        }
    }
    if !n.text.ends_with('.') {
        n.text.push('.');
    }
    if let Some(end) = n.main.last() {
        n.text += &format!(" {{to n{end}}}{{main}}");
    }
    n
}

/// Tells a variation of the main line told so far. The node where the main line goes on stays unique by name.
fn vary(random: &mut Random, n: &mut Narration) -> bool {
    let end = n.main.len() - 1;
    let back = random.below(end.min(5) + 1);
    let replaced = n.main[end - back];
    let fork = n.nodes[replaced].parent;
    let position = n.nodes[fork].position.clone();
    let Some(m) = draw(random, &position, &n.children(fork)) else {
        return false;
    };
    let keep = n.san(n.main[end]);
    let name_of = |position: &Chess, m: Move| Some(San::from_move(position, m).to_string());
    if name_of(&position, m) == keep {
        return false;
    }
    let number = n.nodes[replaced].ply.div_ceil(2);
    let to = match fork {
        0 => "{to start} ".to_owned(),
        _ => format!("{{to n{fork}}} "),
    };
    let (step, intro) = match random.below(3) {
        0 if back == 0 => ("instead of that", format!("{to}instead of that")),
        1 if fork != 0 && n.unique(fork) => {
            let parent = n.mention(random, fork);
            (
                "go back to the position after",
                format!("{to}let's go back to the position after {parent}. Here"),
            )
        }
        _ if n.unique(replaced) => match random.below(2) {
            0 => (
                "instead of",
                format!("{to}instead of {}", n.mention(random, replaced)),
            ),
            _ => (
                "on move instead of",
                format!(
                    "{to}on move {number}, instead of {}",
                    n.mention(random, replaced)
                ),
            ),
        },
        _ => return false,
    };
    let mut at = n.tell(random, fork, m, Some(&intro), step);
    for _ in 0..1 + random.below(5) {
        let position = n.nodes[at].position.clone();
        match draw(random, &position, &[]) {
            Some(m) if name_of(&position, m) != keep => at = n.tell(random, at, m, None, "goes on"),
            _ => break,
        }
    }
    true
}
