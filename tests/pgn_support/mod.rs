//! What the tests of the PGN output share: building studies move by move, and reading PGN back with `pgn-reader`.
#![allow(dead_code, reason = "each test file uses a part of it")]

use std::ops::ControlFlow;

use pgn_reader::{Nag, Outcome, RawComment, RawTag, Reader, Skip, Visitor};
use plyscribe::export::pgn::{self, Times};
use plyscribe::study::{Game, Node, Passage, Source, Study};
use shakmaty::fen::Fen;
use shakmaty::san::SanPlus;
use shakmaty::uci::UciMove;
use shakmaty::{CastlingMode, Chess, EnPassantMode};

/// FEN of the standard starting position (PGN standard, section 16.1.4).
pub const STANDARD: &str = "rnbqkbnr/pppppppp/8/8/8/8/PPPPPPPP/RNBQKBNR w KQkq - 0 1";

/// Builds one board's tree.
pub struct Board {
    pub game: Game,
    positions: Vec<Chess>,
}

impl Board {
    pub fn new(start: &str) -> Board {
        let fen: Fen = start
            .parse()
            .unwrap_or_else(|error| panic!("{start}: {error}"));
        let position: Chess = fen
            .into_position(CastlingMode::Standard)
            .unwrap_or_else(|e| panic!("{start}: {e}"));
        let root = Node {
            id: 0,
            parent: None,
            uci: None,
            san: None,
            fen: start.into(),
            mainline: true,
            confidence: None,
            nags: vec![],
            mentions: vec![],
            comments: vec![],
        };
        Board {
            game: Game {
                start: start.into(),
                nodes: vec![root],
            },
            positions: vec![position],
        }
    }

    pub fn position(&self, node: usize) -> &Chess {
        &self.positions[node]
    }

    /// Plays a move given in coordinates; its SAN is worked out as the program does.
    pub fn play(&mut self, parent: usize, uci: &str) -> usize {
        let mut position = self.positions[parent].clone();
        let parsed: UciMove = uci.parse().unwrap();
        let played = parsed
            .to_move(&position)
            .unwrap_or_else(|error| panic!("{uci}: {error}"));
        let san = SanPlus::from_move_and_play_unchecked(&mut position, played).to_string();
        let id = self.game.nodes.len();
        self.game.nodes.push(Node {
            id,
            parent: Some(parent),
            uci: Some(UciMove::from_standard(played).to_string()),
            san: Some(san),
            fen: Fen::from_position(&position, EnPassantMode::Legal).to_string(),
            mainline: false,
            confidence: Some(0.5),
            nags: vec![],
            mentions: vec![],
            comments: vec![],
        });
        self.positions.push(position);
        id
    }

    /// Plays moves given in SAN, one after the other, and returns the last node.
    pub fn line(&mut self, mut node: usize, sans: &str) -> usize {
        for san in sans.split_whitespace() {
            let parsed: SanPlus = san.parse().unwrap_or_else(|error| panic!("{san}: {error}"));
            let played = parsed
                .san
                .to_move(&self.positions[node])
                .unwrap_or_else(|e| panic!("{san}: {e}"));
            node = self.play(node, &UciMove::from_standard(played).to_string());
        }
        node
    }

    /// Lets the main line run through `node`.
    pub fn main_line_to(&mut self, node: usize) {
        let mut at = Some(node);
        while let Some(id) = at {
            self.game.nodes[id].mainline = true;
            at = self.game.nodes[id].parent;
        }
    }

    pub fn comment(&mut self, node: usize, start: f64, text: &str) {
        self.game.nodes[node].comments.push(Passage {
            start,
            end: start + 1.0,
            text: text.into(),
        });
    }

    pub fn mention(&mut self, node: usize, start: f64, text: &str) {
        self.game.nodes[node].mentions.push(Passage {
            start,
            end: start + 0.5,
            text: text.into(),
        });
    }

    pub fn nags(&mut self, node: usize, nags: &[u8]) {
        self.game.nodes[node].nags.extend_from_slice(nags);
    }
}

pub fn study(title: &str, boards: Vec<Board>) -> Study {
    Study {
        format: Study::FORMAT.into(),
        version: Study::VERSION,
        title: title.into(),
        language: "en".into(),
        source: Source {
            name: "lesson.vtt".into(),
            seconds: 600.0,
        },
        games: boards.into_iter().map(|board| board.game).collect(),
        timeline: vec![],
        flags: vec![],
    }
}

/// The PGN of one board, and its movetext without the empty line at the end.
pub fn movetext(board: Board, times: Times) -> String {
    let text = pgn::to_string(&study("Test", vec![board]), times).unwrap();
    let (_, movetext) = text
        .split_once("]\n\n")
        .expect("an empty line after the tags");
    movetext
        .strip_suffix("\n\n")
        .expect("an empty line after the movetext")
        .to_owned()
}

/// A game as `pgn-reader` reads it.
#[derive(Debug, Default, PartialEq)]
pub struct ReadGame {
    pub tags: Vec<(String, String)>,
    /// The root first; children of a node in the order in which they stand in the text.
    pub nodes: Vec<ReadNode>,
    pub outcome: Option<String>,
}

#[derive(Debug, Default, PartialEq)]
pub struct ReadNode {
    pub parent: Option<usize>,
    pub san: String,
    pub nags: Vec<u8>,
    /// With every run of white space as one space.
    pub comments: Vec<String>,
}

impl ReadGame {
    pub fn tag(&self, name: &str) -> Option<&str> {
        self.tags
            .iter()
            .find(|(tag, _)| tag == name)
            .map(|(_, value)| value.as_str())
    }
}

/// A variation's first move is played after unplaying the move before the variation (PGN standard, section 8.2.5).
#[derive(Default)]
struct TreeReader {
    games: Vec<ReadGame>,
}

struct Movetext {
    game: ReadGame,
    at: usize,
    outer: Vec<usize>,
}

impl Visitor for TreeReader {
    type Tags = Vec<(String, String)>;
    type Movetext = Movetext;
    type Output = ();

    fn begin_tags(&mut self) -> ControlFlow<(), Self::Tags> {
        ControlFlow::Continue(vec![])
    }

    fn tag(&mut self, tags: &mut Self::Tags, name: &[u8], value: RawTag<'_>) -> ControlFlow<()> {
        tags.push((
            String::from_utf8(name.to_vec()).unwrap(),
            value.decode_utf8().unwrap().into_owned(),
        ));
        ControlFlow::Continue(())
    }

    fn begin_movetext(&mut self, tags: Self::Tags) -> ControlFlow<(), Movetext> {
        let game = ReadGame {
            tags,
            nodes: vec![ReadNode::default()],
            outcome: None,
        };
        ControlFlow::Continue(Movetext {
            game,
            at: 0,
            outer: vec![],
        })
    }

    fn san(&mut self, text: &mut Movetext, san: SanPlus) -> ControlFlow<()> {
        text.game.nodes.push(ReadNode {
            parent: Some(text.at),
            san: san.to_string(),
            ..ReadNode::default()
        });
        text.at = text.game.nodes.len() - 1;
        ControlFlow::Continue(())
    }

    fn nag(&mut self, text: &mut Movetext, nag: Nag) -> ControlFlow<()> {
        text.game.nodes[text.at].nags.push(nag.0);
        ControlFlow::Continue(())
    }

    fn comment(&mut self, text: &mut Movetext, comment: RawComment<'_>) -> ControlFlow<()> {
        let comment = std::str::from_utf8(comment.as_bytes()).expect("comments are UTF-8");
        let words: Vec<&str> = comment.split_whitespace().collect();
        text.game.nodes[text.at].comments.push(words.join(" "));
        ControlFlow::Continue(())
    }

    fn begin_variation(&mut self, text: &mut Movetext) -> ControlFlow<(), Skip> {
        text.outer.push(text.at);
        text.at = text.game.nodes[text.at]
            .parent
            .expect("a variation replaces a move");
        ControlFlow::Continue(Skip(false))
    }

    fn end_variation(&mut self, text: &mut Movetext) -> ControlFlow<()> {
        text.at = text
            .outer
            .pop()
            .expect("each closing parenthesis has an opening one");
        ControlFlow::Continue(())
    }

    fn outcome(&mut self, text: &mut Movetext, outcome: Outcome) -> ControlFlow<()> {
        text.game.outcome = Some(outcome.to_string());
        ControlFlow::Continue(())
    }

    fn end_game(&mut self, text: Movetext) {
        assert!(
            text.outer.is_empty(),
            "each opening parenthesis has a closing one"
        );
        self.games.push(text.game);
    }
}

/// Reads all games of a PGN text.
pub fn read(text: &str) -> Vec<ReadGame> {
    let mut visitor = TreeReader::default();
    let mut reader = Reader::build(text.as_bytes())
        .set_supported_comment_length(1 << 20)
        .finish();
    reader.visit_all_games(&mut visitor).unwrap();
    visitor.games
}

/// Asserts that reading `text` gives the trees of `study`: moves, order of variations, NAGs.
pub fn assert_same_trees(text: &str, study: &Study) {
    let games = read(text);
    assert_eq!(games.len(), study.games.len());
    for (read, game) in games.iter().zip(&study.games) {
        assert_eq!(read.outcome.as_deref(), Some("*"));
        assert_eq!(read.nodes.len(), game.nodes.len());
        // Pairs of nodes, from the root down; children by their moves.
        let mut pairs = vec![(0, 0)];
        let mut seen = 0;
        while let Some((theirs, ours)) = pairs.pop() {
            seen += 1;
            assert_eq!(
                read.nodes[theirs].nags, game.nodes[ours].nags,
                "NAGs of node {ours}"
            );
            let their: Vec<usize> = (0..read.nodes.len())
                .filter(|&id| read.nodes[id].parent == Some(theirs))
                .collect();
            let mut our: Vec<usize> = (0..game.nodes.len())
                .filter(|&id| game.nodes[id].parent == Some(ours))
                .collect();
            // Stable: the main child in front, the others as they were told.
            our.sort_by_key(|&id| !game.nodes[id].mainline);
            let their_sans: Vec<&str> = their
                .iter()
                .map(|&id| read.nodes[id].san.as_str())
                .collect();
            let our_sans: Vec<&str> = our
                .iter()
                .map(|&id| game.nodes[id].san.as_deref().unwrap())
                .collect();
            assert_eq!(their_sans, our_sans, "children of node {ours}");
            pairs.extend(their.into_iter().zip(our));
        }
        assert_eq!(seen, game.nodes.len());
    }
}

/// Asserts what the standard asks of every line (sections 4.3, 6 and 8.2.1), and that nothing but tags is wider.
pub fn assert_lines(text: &str) {
    let mut in_tags = true;
    for line in text.lines() {
        in_tags = line.starts_with('[') || (in_tags && line.is_empty());
        let width = line.chars().count();
        if in_tags {
            assert!(line.len() < 255, "tag line of {} bytes: {line}", line.len());
        } else {
            assert!(width < 80, "{width} columns: {line}");
        }
        assert!(!line.starts_with('%'), "an escaped line: {line}");
        assert!(
            !line.starts_with(' ') && !line.ends_with(' '),
            "a space at an end: {line:?}"
        );
        assert!(
            !line.contains(|c: char| c.is_control()),
            "a control character: {line:?}"
        );
    }
}
