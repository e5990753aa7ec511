//! Places where a move may have been said, with what the words around them say of it.

use std::collections::HashMap;

use shakmaty::{Color, File, Rank, Role, Square};

use super::token::{Stop, Token, tokens};
use crate::grammar::{ClassSet, FAR, Grammar};
use crate::transcript::Transcript;

/// What kind of word an event hangs on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Kind {
    /// A square, however it was said.
    Square,
    /// A capture word with no square right behind it.
    Capture,
    /// Castling.
    Castle,
    /// A piece that seems to move without a square.
    Piece,
    /// An exchange: two moves.
    Trade,
    /// A pair of files ("dc").
    Files,
    /// The mirror image of the other side's move ("the same").
    Mirror,
}

/// How many kinds there are.
pub const KINDS: usize = 7;

impl Kind {
    /// Name of the kind in features and explanations.
    pub fn name(self) -> &'static str {
        match self {
            Kind::Square => "square",
            Kind::Capture => "capture",
            Kind::Castle => "castle",
            Kind::Piece => "piece",
            Kind::Trade => "trade",
            Kind::Files => "files",
            Kind::Mirror => "mirror",
        }
    }
}

/// One square that the words may be.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    /// The square if White moves.
    pub white: Square,
    /// The square if Black moves: the same, except in descriptive notation, which counts from the mover's side.
    pub black: Square,
    /// Cost as a distance from what was heard; 0 for a square that was heard as such.
    pub cost: f32,
}

impl Reading {
    /// The square if this colour moves.
    pub fn square(&self, turn: Color) -> Square {
        turn.fold_wb(self.white, self.black)
    }
}

/// How a move that is named, but not made, relates to the one that is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Relation {
    /// Nothing is said of it.
    #[default]
    None,
    /// Another move takes its place ("instead of knight f3").
    Instead,
    /// The move comes behind it ("after knight f3").
    After,
    /// The talk returns to where it was made ("back to the position after knight f3").
    BackAfter,
    /// The talk returns to it, or to where it could be made ("back to knight f3").
    Back,
}

/// What the words around an event say of the move.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Slots {
    /// The piece that moves, with its distance in tokens.
    pub mover: Option<(Role, u8)>,
    /// Token of the mover's word, if it is not part of the square's own word.
    pub mover_at: Option<usize>,
    /// How many squares a pawn goes, where the words say so.
    pub steps: Option<u8>,
    /// Whether the mover's word is a mishearing.
    pub mover_misheard: bool,
    /// A piece named behind a capture with "with".
    pub with: Option<Role>,
    /// The piece that is taken.
    pub victim: Option<Role>,
    /// A capture word between the mover and the square, or the event's own.
    pub capture: bool,
    /// The word "check" nearby.
    pub check: bool,
    /// The word "mate" nearby.
    pub mate: bool,
    /// The colour named, if any.
    pub side: Option<Color>,
    /// Nearest person word before: 1 for I/we, 2 for you, 3 for he/they, 0 for none.
    pub person: u8,
    /// Costs of the eight files of origin, where a letter stands before the piece or the capture.
    pub file: Option<[f32; 8]>,
    /// Rank of origin from typed notation (0 to 7).
    pub rank: Option<u8>,
    /// Squares named nearby as the place that the piece comes from.
    pub origins: Vec<Square>,
    /// Castling side: `Some(true)` for the king's side.
    pub castle: Option<bool>,
    /// Promotion piece.
    pub promotion: Option<Role>,
    /// Typed notation: everything it leaves out is left out on purpose.
    pub typed: bool,
    /// Castling by "as well", "likewise".
    pub echo: bool,
    /// How the words before it relate it to the move that comes.
    pub relation: Relation,
    /// Word classes within five tokens before it in the sentence.
    pub left: ClassSet,
    /// Word classes within four tokens behind it.
    pub right: ClassSet,
}

/// A place where a move may have been said.
#[derive(Debug, Clone, PartialEq)]
pub struct Event {
    /// What it hangs on.
    pub kind: Kind,
    /// First token.
    pub first: usize,
    /// Token behind its last.
    pub end: usize,
    /// The squares that the words may be, best first; empty for kinds without a square.
    pub squares: Vec<Reading>,
    /// What is said around it.
    pub slots: Slots,
    /// First token of the whole phrase: the mover and what belongs to it.
    pub phrase: usize,
    /// Token behind the whole phrase.
    pub phrase_end: usize,
}

/// Tokens and events of one lesson.
#[derive(Debug, Clone)]
pub struct Speech {
    /// All tokens.
    pub tokens: Vec<Token>,
    /// All events in order of their tokens.
    pub events: Vec<Event>,
    /// Share of the square events that were heard as a plain square: low for a garbled transcript.
    pub clarity: f32,
}

/// Classes used here, looked up once.
struct Classes {
    capture: ClassSet,
    recapture: ClassSet,
    trade: ClassSet,
    castle: ClassSet,
    short: ClassSet,
    long: ClassSet,
    check: ClassSet,
    mate: ClassSet,
    white: ClassSet,
    black: ClassSet,
    i_we: ClassSet,
    you: ClassSet,
    he: ClassSet,
    she: ClassSet,
    with: ClassSet,
    same: ClassSet,
    mirror: ClassSet,
    standing: ClassSet,
    from: ClassSet,
    back: ClassSet,
    after: ClassSet,
    instead: ClassSet,
    one: ClassSet,
    two: ClassSet,
    count_one: ClassSet,
    count_two: ClassSet,
    front: ClassSet,
    promote: ClassSet,
}

impl Classes {
    fn new(g: &Grammar) -> Classes {
        Classes {
            capture: g.class("capture") | g.class("recapture"),
            recapture: g.class("recapture"),
            trade: g.class("trade"),
            castle: g.class("castle"),
            short: g.class("castle_short"),
            long: g.class("castle_long"),
            check: g.class("check"),
            mate: g.class("mate"),
            white: g.class("white"),
            black: g.class("black"),
            i_we: g.class("i_we"),
            you: g.class("you"),
            he: g.class("he"),
            she: g.class("she"),
            with: g.class("with"),
            same: g.class("same"),
            mirror: g.class("mirror"),
            standing: g.class("standing"),
            from: g.class("from"),
            back: g.class("back"),
            after: g.class("after"),
            instead: g.class("instead"),
            one: g.class("step_one"),
            two: g.class("step_two"),
            count_one: g.class("count_one"),
            count_two: g.class("count_two"),
            front: g.class("front"),
            promote: g.class("promote"),
        }
    }
}

/// Sounds of words, looked up once for each word of the lesson.
struct Heard<'g> {
    grammar: &'g Grammar,
    files: HashMap<String, [f32; 8]>,
    ranks: HashMap<String, [f32; 8]>,
    fused: HashMap<String, Vec<(u8, u8, f32)>>,
}

impl Heard<'_> {
    fn file(&mut self, word: &str) -> [f32; 8] {
        if let Some(row) = self.files.get(word) {
            return *row;
        }
        let row = self.grammar.file_cost(word);
        self.files.insert(word.to_owned(), row);
        row
    }

    fn rank(&mut self, word: &str) -> [f32; 8] {
        if let Some(row) = self.ranks.get(word) {
            return *row;
        }
        let row = self.grammar.rank_cost(word);
        self.ranks.insert(word.to_owned(), row);
        row
    }
}

const WORST: f32 = 2.6;
/// Cost of a letter that is often taken for another, where a plain square was heard.
const CONFUSED: [(&[u8], f32); 2] = [(&[1, 2, 3, 4, 6], 1.7), (&[0, 7], 1.9)];

fn square(file: u8, rank: u8) -> Square {
    Square::from_coords(File::new(u32::from(file)), Rank::new(u32::from(rank)))
}

fn plain(file: u8, rank: u8, cost: f32) -> Reading {
    Reading {
        white: square(file, rank),
        black: square(file, rank),
        cost,
    }
}

fn with_confusions(to: Square) -> Vec<Reading> {
    let (file, rank) = (u32::from(to.file()) as u8, u32::from(to.rank()) as u8);
    let mut out = vec![plain(file, rank, 0.0)];
    for (group, cost) in CONFUSED {
        if group.contains(&file) {
            out.extend(
                group
                    .iter()
                    .filter(|&&f| f != file)
                    .map(|&f| plain(f, rank, cost)),
            );
        }
    }
    out
}

/// A square found at a token: how many tokens it takes and what it may be.
struct Found {
    length: usize,
    squares: Vec<Reading>,
    best: f32,
}

fn single_letter(text: &str) -> Option<u8> {
    match text.as_bytes() {
        [c @ b'a'..=b'h'] => Some(c - b'a'),
        _ => None,
    }
}

fn find_square(tokens: &[Token], i: usize, heard: &mut Heard) -> Option<Found> {
    let token = &tokens[i];
    if let Some(n) = token.notation {
        let to = n.to?;
        let squares = if n.piece.is_some() || n.capture || n.from.is_some() {
            vec![Reading {
                white: to,
                black: to,
                cost: 0.0,
            }]
        } else {
            with_confusions(to)
        };
        return Some(Found {
            length: 1,
            squares,
            best: 0.0,
        });
    }
    let bytes = token.text.as_bytes();
    if bytes.len() == 2 && bytes[0].is_ascii_digit() && (b'1'..=b'8').contains(&bytes[1]) {
        let row = heard.file(&token.text[..1]);
        let squares: Vec<Reading> = row
            .iter()
            .enumerate()
            .filter(|&(_, &c)| c < WORST)
            .map(|(f, &c)| plain(f as u8, bytes[1] - b'1', 0.8 + c))
            .collect();
        if !squares.is_empty() {
            return Some(Found {
                length: 1,
                squares,
                best: 0.8,
            });
        }
    }
    // Descriptive: "king four", "king's bishop three", "bishop four".
    if let Some(role) = token.piece.filter(|_| !token.misheard)
        && let Some(found) = descriptive(tokens, i, role, heard)
    {
        return Some(found);
    }
    let mut best: Option<Found> = None;
    if let Some(next) = tokens
        .get(i + 1)
        .filter(|t| t.stop < Stop::Full && t.notation.is_none())
    {
        let rank = heard.rank(&next.text);
        if rank.iter().any(|&c| c < 1.6) {
            let file = heard.file(&token.text);
            let mut squares = Vec::new();
            let pause = if next.stop == Stop::Weak { 0.6 } else { 0.0 };
            for (f, &fc) in file.iter().enumerate() {
                for (r, &rc) in rank.iter().enumerate() {
                    let cost = fc + rc + pause;
                    if fc < FAR && rc < FAR && cost < WORST {
                        squares.push(plain(f as u8, r as u8, cost));
                    }
                }
            }
            squares.sort_by(|a, b| a.cost.total_cmp(&b.cost));
            if let Some(first) = squares.first().map(|r| r.cost) {
                squares.retain(|r| r.cost < first + 1.6);
                squares.truncate(10);
                if first == 0.0 && squares.len() < 6 {
                    for extra in with_confusions(squares[0].white) {
                        if !squares.iter().any(|r| r.white == extra.white) {
                            squares.push(extra);
                        }
                    }
                }
                best = Some(Found {
                    length: 2,
                    squares,
                    best: first,
                });
            }
        }
    }
    if best.as_ref().is_none_or(|b| b.best > 1.2) && token.piece.is_none() && token.text.len() >= 3
    {
        let fused = match heard.fused.get(&token.text) {
            Some(f) => f.clone(),
            None => {
                let f = heard.grammar.fused_squares(&token.text);
                heard.fused.insert(token.text.clone(), f.clone());
                f
            }
        };
        if !fused.is_empty() {
            let mut squares: Vec<Reading> = fused.iter().map(|&(f, r, c)| plain(f, r, c)).collect();
            squares.sort_by(|a, b| a.cost.total_cmp(&b.cost));
            squares.truncate(6);
            let first = squares[0].cost;
            if best.as_ref().is_none_or(|b| first < b.best) {
                best = Some(Found {
                    length: 1,
                    squares,
                    best: first,
                });
            }
        }
    }
    best
}

/// Files that a piece's name stands for in descriptive notation: on the king's and the queen's side.
fn home_files(role: Role) -> &'static [u8] {
    match role {
        Role::King => &[4],
        Role::Queen => &[3],
        Role::Bishop => &[2, 5],
        Role::Knight => &[1, 6],
        Role::Rook => &[0, 7],
        Role::Pawn => &[],
    }
}

fn files_row(files: &[u8]) -> [f32; 8] {
    let mut row = [FAR; 8];
    for &f in files {
        row[usize::from(f)] = 0.3;
    }
    row
}

/// The file on which a piece of the king's or the queen's side starts.
fn wing_file(piece: Role, wing: Role) -> Option<[f32; 8]> {
    let home = home_files(piece);
    match wing {
        Role::Queen if home.len() == 2 => Some(files_row(&home[..1])),
        Role::King if home.len() == 2 => Some(files_row(&home[1..])),
        _ => None,
    }
}

fn descriptive(tokens: &[Token], i: usize, role: Role, heard: &mut Heard) -> Option<Found> {
    let possessive = |t: &Token| t.text.ends_with("'s") || t.text.ends_with('s');
    let mut files: Vec<u8> = home_files(role).to_vec();
    let mut length = 1;
    if matches!(role, Role::King | Role::Queen)
        && possessive(&tokens[i])
        && let Some(second) = tokens
            .get(i + 1)
            .and_then(|t| t.piece)
            .filter(|r| matches!(r, Role::Bishop | Role::Knight | Role::Rook))
    {
        files.retain(|_| false);
        let both = home_files(second);
        files.push(if role == Role::Queen {
            both[0]
        } else {
            both[1]
        });
        length = 2;
    }
    let rank_token = tokens.get(i + length)?;
    if rank_token.stop > Stop::None || rank_token.notation.is_some() {
        return None;
    }
    let rank = heard
        .rank(&rank_token.text)
        .iter()
        .position(|&c| c == 0.0)? as u8;
    // A count ("two pawns") never follows its piece, but a letter may ("bishop e three"): only a bare digit word counts.
    if files.is_empty() {
        return None;
    }
    let squares = files
        .iter()
        .map(|&f| Reading {
            white: square(f, rank),
            black: square(f, 7 - rank),
            cost: 0.5,
        })
        .collect();
    Some(Found {
        length: length + 1,
        squares,
        best: 0.5,
    })
}

/// Reads a transcript: tokens first, then the events among them.
pub fn read(transcript: &Transcript, grammar: &Grammar) -> Speech {
    let tokens = tokens(transcript, grammar);
    let classes = Classes::new(grammar);
    let mut heard = Heard {
        grammar,
        files: HashMap::new(),
        ranks: HashMap::new(),
        fused: HashMap::new(),
    };
    let mut events: Vec<Event> = Vec::new();
    let mut i = 0;
    while i < tokens.len() {
        let token = &tokens[i];
        let mut event = None;
        // "His queen two steps": the number counts steps.
        let counted = |found: &Found| {
            found.length == 2 && tokens[i + 1].classes & (classes.one | classes.two) != 0
        };
        if let Some(found) = find_square(&tokens, i, &mut heard).filter(|f| !counted(f)) {
            // A better square may begin at the next token ("to see four").
            let mut found = found;
            let mut at = i;
            if found.length == 2
                && found.best > 0.3
                && let Some(next) = tokens
                    .get(i + 1)
                    .and_then(|_| find_square(&tokens, i + 1, &mut heard))
                && next.best + 0.4 < found.best
            {
                (found, at) = (next, i + 1);
            }
            event = Some(Event {
                kind: Kind::Square,
                first: at,
                end: at + found.length,
                squares: found.squares,
                slots: Slots::default(),
                phrase: at,
                phrase_end: at + found.length,
            });
        } else if let Some(n) = token.notation {
            let kind = if n.castle.is_some() {
                Kind::Castle
            } else {
                Kind::Files
            };
            let mut e = simple(kind, i);
            e.squares.extend(n.to_file.map(|f| plain(f, 0, 0.0)));
            event = Some(e);
        } else if token.classes & classes.castle != 0 {
            event = Some(simple(Kind::Castle, i));
        } else if token.classes & classes.trade != 0 {
            event = Some(simple(Kind::Trade, i));
        } else if token.classes & classes.capture != 0 && !takes_steps(&tokens, i, &classes) {
            event = Some(simple(Kind::Capture, i));
        } else if token.piece.is_some() && token.classes & (classes.she | classes.he) == 0 {
            event = Some(simple(Kind::Piece, i));
        } else if let Some(to) = tokens
            .get(i + 1)
            .filter(|t| t.stop == Stop::None)
            .and_then(|t| file_pair(&token.text, &t.text))
        {
            let mut e = simple(Kind::Files, i);
            e.end = i + 2;
            e.phrase_end = i + 2;
            e.squares.push(plain(to, 0, 0.0));
            event = Some(e);
        } else if token.classes & (classes.same | classes.mirror) != 0 {
            let near = events
                .last()
                .is_some_and(|e| e.kind == Kind::Castle && i - e.end < 14);
            if near {
                let mut e = simple(Kind::Castle, i);
                e.slots.echo = true;
                event = Some(e);
            } else if token.classes & classes.mirror != 0
                && (i == 0 || tokens[i - 1].classes & classes.mirror == 0)
            {
                event = Some(simple(Kind::Mirror, i));
            }
        }
        match event {
            Some(e) => {
                i = e.end;
                events.push(e);
            }
            None => i += 1,
        }
    }
    // Phrase of several words for a capture or a trade counts once.
    let mut kept: Vec<Event> = Vec::with_capacity(events.len());
    for event in events {
        if let Some(last) = kept.last_mut() {
            let multi = matches!(event.kind, Kind::Capture | Kind::Trade)
                && last.kind == event.kind
                && last.end == event.first
                && tokens[event.first].stop == Stop::None;
            if multi
                && grammar
                    .phrases_from(&tokens[last.first].text)
                    .iter()
                    .any(|(p, _)| p.len() > 1 && p.get(1) == Some(&tokens[event.first].text))
            {
                last.end = event.end;
                last.phrase_end = event.end;
                continue;
            }
        }
        kept.push(event);
    }
    fill_slots(&tokens, &mut kept, &classes, &mut heard);
    let kept = drop_bound_pieces(&tokens, kept);
    let plain_squares = kept
        .iter()
        .filter(|e| e.kind == Kind::Square && e.squares.first().is_some_and(|r| r.cost == 0.0))
        .count();
    let all = kept.iter().filter(|e| e.kind == Kind::Square).count();
    let clarity = if all == 0 {
        1.0
    } else {
        plain_squares as f32 / all as f32
    };
    Speech {
        tokens,
        events: kept,
        clarity,
    }
}

/// The second file of a pawn capture said as two letters of neighbouring files ("c d").
fn file_pair(first: &str, second: &str) -> Option<u8> {
    let (from, to) = (single_letter(first)?, single_letter(second)?);
    (from.abs_diff(to) == 1 && from != 0).then_some(to)
}

/// What the words before a phrase say of how the move relates to the next.
fn relation(tokens: &[Token], phrase: usize, bound: usize, c: &Classes) -> Relation {
    let mut after = false;
    for j in (bound.max(phrase.saturating_sub(9))..phrase).rev() {
        if tokens[j + 1].stop == Stop::Full {
            break;
        }
        let classes = tokens[j].classes;
        if classes & c.back != 0 {
            return if after {
                Relation::BackAfter
            } else {
                Relation::Back
            };
        }
        after |= classes & c.after != 0;
        if classes & c.instead != 0 && !after {
            return Relation::Instead;
        }
    }
    if after {
        Relation::After
    } else {
        Relation::None
    }
}

/// How many squares the words say that a pawn goes, between the phrase and the next event.
fn steps(tokens: &[Token], from: usize, to: usize, c: &Classes) -> Option<u8> {
    let to = to.min(tokens.len());
    for (j, t) in tokens.iter().enumerate().take(to).skip(from) {
        if t.classes & c.two != 0 {
            return Some(2);
        }
        if t.classes & c.one != 0 {
            return Some(1);
        }
        // "King's pawn two": the number alone, right behind the pawn, with nothing that it counts.
        let alone = j <= from + 1
            && tokens
                .get(j + 1)
                .is_none_or(|next| next.stop > Stop::None || next.piece.is_none())
            && tokens[from..j].iter().all(|t| t.piece.is_none());
        if alone && t.stop < Stop::Full {
            if t.classes & c.count_two != 0 {
                return Some(2);
            }
            if t.classes & c.count_one != 0 {
                return Some(1);
            }
        }
    }
    None
}

/// "Takes one step", "takes just two squares": nothing is taken.
fn takes_steps(tokens: &[Token], at: usize, c: &Classes) -> bool {
    tokens[at + 1..]
        .iter()
        .take(3)
        .take_while(|t| t.stop == Stop::None && t.piece.is_none())
        .any(|t| t.classes & (c.one | c.two) != 0)
}

fn simple(kind: Kind, i: usize) -> Event {
    Event {
        kind,
        first: i,
        end: i + 1,
        squares: Vec::new(),
        slots: Slots::default(),
        phrase: i,
        phrase_end: i + 1,
    }
}

fn fill_slots(tokens: &[Token], events: &mut [Event], c: &Classes, heard: &mut Heard) {
    for k in 0..events.len() {
        let (first, end, kind) = (events[k].first, events[k].end, events[k].kind);
        let mut s = Slots {
            echo: events[k].slots.echo,
            ..Slots::default()
        };
        let mut phrase = first;
        let mut phrase_end = end;
        if let Some(n) = tokens[first].notation {
            s.typed = n.piece.is_some()
                || n.capture
                || n.from.is_some()
                || n.castle.is_some()
                || n.to_file.is_some();
            if let Some(role) = n.piece {
                s.mover = Some((role, 0));
            } else if s.typed && n.castle.is_none() && n.from.is_none() {
                s.mover = Some((Role::Pawn, 0));
            }
            s.capture = n.capture;
            s.file = n.file.map(|f| {
                let mut row = [FAR; 8];
                row[usize::from(f)] = 0.0;
                row
            });
            s.rank = n.rank;
            s.origins.extend(n.from);
            s.promotion = n.promotion;
            s.castle = n.castle;
            s.check = n.check;
        }
        if kind == Kind::Files && tokens[first].notation.is_none() {
            s.file = single_letter(&tokens[first].text).map(|f| files_row(&[f]));
            s.mover = Some((Role::Pawn, 0));
        }
        if kind == Kind::Piece {
            s.mover = tokens[first].piece.map(|role| (role, 0));
            s.mover_misheard = tokens[first].misheard;
            s.mover_at = Some(first);
        }
        // Nearest earlier square or castling event bounds the phrase on the left.
        let bound = events[..k]
            .iter()
            .rev()
            .find(|e| matches!(e.kind, Kind::Square | Kind::Castle | Kind::Files))
            .map_or(0, |e| e.end);
        let bound = if kind == Kind::Capture || kind == Kind::Trade {
            bound.max(
                events[..k]
                    .iter()
                    .rev()
                    .find(|e| e.kind == Kind::Capture)
                    .map_or(0, |e| e.end),
            )
        } else {
            bound
        };
        let own_capture = matches!(kind, Kind::Capture);
        s.capture |= own_capture || kind == Kind::Files;
        let mut gap = 0u8;
        let mut j = first;
        let mut captured_at = if own_capture { Some(first) } else { None };
        let mut nearest: Option<(Role, u8, usize, bool)> = None;
        while j > bound && gap < 8 {
            if tokens[j].stop == Stop::Full {
                break;
            }
            j -= 1;
            gap += 1;
            let t = &tokens[j];
            if tokens[j + 1].stop == Stop::Weak {
                gap += 1;
            }
            s.left |= if gap <= 6 { t.classes } else { 0 };
            if t.classes & c.capture != 0 && captured_at.is_none() && gap <= 5 {
                captured_at = Some(j);
                s.capture = true;
                phrase = j;
                if let Some((role, _, _, _)) = nearest.take() {
                    s.victim = Some(role);
                }
                continue;
            }
            if s.side.is_none() {
                if t.classes & c.white != 0 {
                    s.side = Some(Color::White);
                } else if t.classes & c.black != 0 {
                    s.side = Some(Color::Black);
                }
            }
            if s.person == 0 {
                s.person = if t.classes & c.i_we != 0 {
                    1
                } else if t.classes & c.you != 0 {
                    2
                } else if t.classes & c.he != 0 {
                    3
                } else {
                    0
                };
            }
            if let Some(role) = t.piece {
                match nearest {
                    None => nearest = Some((role, gap, j, t.misheard)),
                    // "queen's pawn", "knight's pawn": the file of the piece.
                    Some((Role::Pawn, _, at, _))
                        if at == j + 1 && role != Role::Pawn && s.file.is_none() =>
                    {
                        s.file = Some(files_row(home_files(role)));
                    }
                    // "king's knight"
                    Some((piece, _, at, _))
                        if at == j + 1
                            && matches!(role, Role::King | Role::Queen)
                            && s.file.is_none() =>
                    {
                        s.file = wing_file(piece, role);
                    }
                    Some(_) => {}
                }
            }
        }
        if s.mover.is_none()
            && let Some((role, distance, at, misheard)) = nearest
        {
            s.mover = Some((role, distance.min(9)));
            s.mover_at = Some(at);
            s.mover_misheard = misheard;
            if distance <= 4 {
                phrase = phrase.min(at);
            }
        }
        // A letter of origin: before the capture word, before the piece's pawn, or between piece and square.
        if s.file.is_none() {
            let mut spots: Vec<usize> = Vec::new();
            if let Some(at) = captured_at.filter(|&at| at > bound)
                && tokens[at].stop < Stop::Full
            {
                spots.push(at - 1);
            }
            if let Some((_, d, at, _)) = nearest {
                if at > bound && tokens[at].stop < Stop::Full && d <= 4 {
                    spots.push(at - 1);
                }
                if at + 1 < first {
                    spots.push(at + 1);
                }
            }
            for spot in spots {
                let t = &tokens[spot];
                if spot >= first || t.piece.is_some() {
                    continue;
                }
                let row = heard.file(&t.text);
                if row.iter().any(|&x| x < 1.0)
                    && (single_letter(&t.text).is_none_or(|l| l != 0)
                        || spot + 1 == captured_at.unwrap_or(usize::MAX))
                {
                    s.file = Some(row);
                    phrase = phrase.min(spot);
                    break;
                }
            }
        }
        // "The king's pawn", "the queen's knight", "the pawn in front of the king"; how far a pawn goes.
        if let Some(at) = s.mover_at {
            if kind == Kind::Piece
                && s.file.is_none()
                && at > 0
                && tokens[at].stop == Stop::None
                && let (Some(owner), Some((role, _))) = (tokens[at - 1].piece, s.mover)
            {
                s.file = match role {
                    Role::Pawn => at
                        .checked_sub(2)
                        .and_then(|j| tokens[j].piece)
                        .and_then(|wing| wing_file(owner, wing))
                        .or(Some(files_row(home_files(owner)))),
                    _ => wing_file(role, owner),
                };
                phrase = phrase.min(at - 1);
            }
            let stop = (at + 1..tokens.len().min(at + 14))
                .find(|&j| tokens[j].stop == Stop::Full)
                .unwrap_or(tokens.len().min(at + 14));
            if s.mover.is_some_and(|m| m.0 == Role::Pawn) {
                if s.file.is_none()
                    && let Some(front) =
                        (at + 1..stop.min(at + 6)).find(|&j| tokens[j].classes & c.front != 0)
                {
                    s.file = (front + 1..stop.min(front + 5))
                        .find_map(|j| tokens[j].piece)
                        .filter(|&owner| owner != Role::Pawn)
                        .map(|owner| files_row(home_files(owner)));
                }
                s.steps = steps(tokens, at + 1, stop, c);
            }
        }
        // Origin squares named just before ("the knight on b8 to d7", "the knight from b8 takes on d7").
        if kind == Kind::Square
            && let Some(previous) = events[..k]
                .iter()
                .rev()
                .take(2)
                .find(|e| e.kind != Kind::Capture)
                .filter(|e| {
                    let placed = e.first > 0
                        && (tokens[e.first - 1].classes & c.standing != 0
                            || tokens[e.first - 1].classes & c.from != 0);
                    e.kind == Kind::Square
                        && first - e.end <= if placed { 4 } else { 2 }
                        && (e.end..=first).all(|j| tokens[j].stop < Stop::Full)
                })
        {
            s.origins.extend(previous.squares.first().map(|r| r.white));
        }
        // To the right.
        let limit = tokens.len().min(end + 5);
        for j in end..limit {
            let t = &tokens[j];
            if t.stop == Stop::Full && j > end + 1 {
                break;
            }
            if t.stop == Stop::Full && t.classes & (c.check | c.mate) == 0 {
                break;
            }
            if events
                .get(k + 1)
                .is_some_and(|e| j >= e.first && e.kind != Kind::Piece)
            {
                break;
            }
            s.right |= t.classes;
            if t.classes & c.check != 0 {
                s.check = true;
                phrase_end = j + 1;
            }
            if t.classes & c.mate != 0 {
                s.mate = true;
                phrase_end = j + 1;
            }
            if let Some(role) = t.piece {
                let with = j > end && tokens[end..j].iter().any(|t| t.classes & c.with != 0);
                if with && s.with.is_none() {
                    s.with = Some(role);
                    if j > 0 && s.file.is_none() {
                        let row = heard.file(&tokens[j - 1].text);
                        if single_letter(&tokens[j - 1].text).is_some() {
                            s.file = Some(row);
                        }
                    }
                    phrase_end = j + 1;
                } else if own_capture && s.victim.is_none() && !with {
                    s.victim = Some(role);
                    phrase_end = j + 1;
                } else if s.left & c.promote != 0 || s.right & c.promote != 0 {
                    s.promotion = s.promotion.or(Some(role));
                }
            }
            if kind == Kind::Castle {
                if t.classes & c.long != 0 {
                    s.castle = s.castle.or(Some(false));
                } else if t.classes & c.short != 0 {
                    s.castle = s.castle.or(Some(true));
                }
            }
        }
        if s.left & c.check != 0 && !s.check {
            let near = (bound.max(first.saturating_sub(4))..first)
                .any(|j| tokens[j].classes & c.check != 0);
            s.check = near;
        }
        if s.left & c.recapture != 0 {
            s.capture = true;
        }
        s.relation = relation(tokens, phrase, bound, c);
        let e = &mut events[k];
        e.slots = s;
        e.phrase = phrase;
        e.phrase_end = phrase_end;
    }
}

/// Pieces that only serve the square, capture, castling or trade beside them are no events of their own.
fn drop_bound_pieces(tokens: &[Token], events: Vec<Event>) -> Vec<Event> {
    let mut out: Vec<Event> = Vec::with_capacity(events.len());
    for (k, event) in events.iter().enumerate() {
        if event.kind == Kind::Piece {
            // "the king's pawn": the king does nothing here.
            let owner = events.get(k + 1).is_some_and(|n| {
                n.kind == Kind::Piece
                    && n.first == event.end
                    && tokens[n.first].stop == Stop::None
                    && tokens[event.first].text.ends_with("'s")
            });
            if owner {
                continue;
            }
            let next = events[k + 1..].iter().find(|e| e.kind != Kind::Piece);
            let bound_right = next.is_some_and(|n| {
                let stops: usize = (event.end..=n.first)
                    .map(|j| match tokens[j].stop {
                        Stop::None => 0,
                        Stop::Weak => 1,
                        Stop::Full => 9,
                    })
                    .sum();
                n.first - event.end <= 3 && stops == 0
            });
            let bound_left = out.last().is_some_and(|p| {
                event.first < p.phrase_end
                    || (matches!(p.kind, Kind::Trade)
                        && event.first - p.end <= 2
                        && tokens[event.first].stop == Stop::None)
            });
            // "Take the king's pawn and give him two squares": the pawn isn't taken, it goes. Nor does a square that is hardly
            // one ("knight's pawn up one") say where.
            let (file, steps) = (event.slots.file.is_some(), event.slots.steps.is_some());
            let doubtful = next.is_some_and(|n| n.squares.first().is_some_and(|r| r.cost > 0.7));
            if (bound_right && !(doubtful && (file || steps))) || (bound_left && !(file && steps)) {
                continue;
            }
        }
        out.push(event.clone());
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What is heard in some words.
    fn heard(words: &str) -> Vec<Event> {
        let said = format!("[0:00] {words}\n");
        let transcript = crate::transcript::read(said.as_bytes(), "t.txt").expect("a transcript");
        read(&transcript, &Grammar::english()).events
    }

    /// The pawn among the events: its file, 0 for a, and how far it goes.
    fn pawn(events: &[Event]) -> Option<(usize, u8)> {
        let slots = events
            .iter()
            .filter(|e| e.kind == Kind::Piece)
            .map(|e| &e.slots)
            .find(|s| s.mover.is_some_and(|m| m.0 == Role::Pawn))?;
        let file = slots.file?.iter().position(|&cost| cost < 1.0)?;
        Some((file, slots.steps?))
    }

    fn kinds(events: &[Event]) -> Vec<Kind> {
        events.iter().map(|e| e.kind).collect()
    }

    #[test]
    fn a_pawn_that_takes_a_step_takes_nothing() {
        let events = heard("His king's pawn takes one step.");
        assert_eq!(pawn(&events), Some((4, 1)));
        assert!(!kinds(&events).contains(&Kind::Capture));
        assert!(kinds(&heard("His king's pawn takes the knight.")).contains(&Kind::Capture));
    }

    #[test]
    fn a_pawn_that_is_described_goes_beside_take_and_beside_a_doubtful_square() {
        let taken = "Take the pawn that stands in front of the queen, and give him two squares.";
        assert_eq!(pawn(&heard(taken)), Some((3, 2)));
        assert_eq!(pawn(&heard("King's pawn up one.")), Some((4, 1)));
    }

    #[test]
    fn a_number_of_steps_is_no_rank() {
        assert!(kinds(&heard("Queen two.")).contains(&Kind::Square));
        assert!(!kinds(&heard("His queen two steps.")).contains(&Kind::Square));
    }
}
