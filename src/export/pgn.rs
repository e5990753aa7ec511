//! Writes a study as PGN, in the export format of the PGN standard (1994), section 8: one game a board.
//!
//! - Tags: the seven tag roster in its order, then the others in ASCII order (section 8.1): `Annotator`, `FEN` and
//!   `SetUp` (section 9.7) where the board does not start from the standard position, `PlyCount` of the main line.
//! - A variation (RAV, section 8.2.5) stands right after the main move that it replaces. The main move is the child on
//!   the main line, else the child that was told first.
//! - The comment on a position holds all that is said of it, and the second at which its move is first said ([`Times`]).
//! - Movetext lines have fewer than 80 columns and are filled greedily (section 8.2.1). Every white move has its number;
//!   a black one has it where something other than its white move stands before it (section 8.2.2.2). A NAG counts as
//!   such an annotation.
//! - A comment can't hold a right brace (section 5): braces are written as parentheses, as is the bracket of `[%`, so
//!   that no words of the speaker are taken for a command. No line begins with `%` (section 6). A word too long for
//!   a line is split.
//! - The standard's character set is ISO 8859-1 (section 4.1). Lessons are held in more languages than that has letters
//!   for, and readers of today expect UTF-8: the text is UTF-8. Columns are counted in characters.
//! - A tag pair has a line to itself, which may not be longer than 255 bytes (section 4.3): a longer title is cut.
//!
//! Sections are numbered as in the standard; its wording is from memory.
//!
//! ```
//! use plyscribe::export::{json, pgn, pgn::Times};
//!
//! let study = json::from_str(
//!     r#"{"format": "plyscribe-study", "version": 1, "title": "A rook lifts itself", "language": "en",
//!         "source": {"name": "rook.vtt", "seconds": 140.0},
//!         "games": [{"start": "4k3/8/8/8/8/8/8/R3K3 w - - 0 30", "nodes": [
//!             {"id": 0, "parent": null, "mainline": true, "fen": "4k3/8/8/8/8/8/8/R3K3 w - - 0 30"},
//!             {"id": 1, "parent": 0, "uci": "a1a7", "san": "Ra7", "mainline": true, "confidence": 0.9, "nags": [1],
//!              "fen": "4k3/R7/8/8/8/8/8/4K3 b - - 1 30",
//!              "mentions": [{"start": 131.42, "end": 132.0, "text": "rook to the seventh"}],
//!              "comments": [{"start": 132.0, "end": 135.0, "text": "It cuts off the king."}]},
//!             {"id": 2, "parent": 1, "uci": "e8f8", "san": "Kf8", "mainline": true, "confidence": 0.9,
//!              "fen": "5k2/R7/8/8/8/8/8/4K3 w - - 2 31"},
//!             {"id": 3, "parent": 0, "uci": "a1a8", "san": "Ra8+", "mainline": false, "confidence": 0.8,
//!              "fen": "R3k3/8/8/8/8/8/8/4K3 b - - 1 30"}]}],
//!         "timeline": [], "flags": []}"#,
//! )?;
//! assert_eq!(
//!     pgn::to_string(&study, Times::Commands)?,
//!     r#"[Event "A rook lifts itself"]
//! [Site "?"]
//! [Date "????.??.??"]
//! [Round "?"]
//! [White "?"]
//! [Black "?"]
//! [Result "*"]
//! [Annotator "plyscribe"]
//! [FEN "4k3/8/8/8/8/8/8/R3K3 w - - 0 30"]
//! [PlyCount "2"]
//! [SetUp "1"]
//!
//! 30. Ra7 $1 {[%said 0:02:11.4] It cuts off the king.} (30. Ra8+) 30... Kf8 *
//!
//! "#
//! );
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

use shakmaty::fen::Fen;
use shakmaty::{Color, Setup};

use crate::export::verify::{StudyError, verify};
use crate::study::{Game, Node, Passage, Study};

/// Most columns of a movetext line: "less than 80 printing characters" (section 8.2.1).
const COLUMNS: usize = 79;
/// Longest piece of a comment's word, in characters: with the brace before it, it fits a line.
const LONGEST_WORD: usize = COLUMNS - 1;
/// Most bytes of a line with its line break (section 4.3).
const TAG_LINE: usize = 255;

/// How comments tell when a move is said.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Times {
    /// As a command that programs can read: `[%said 0:02:11.4]`, hours, minutes, seconds and tenths.
    #[default]
    Commands,
    /// For people, in whole seconds: `(2:11)`, or `(1:02:11)` from an hour on.
    Plain,
    /// Not at all.
    None,
}

/// The study as PGN text: one game for each board. Each game ends with an empty line (section 8.2.1). A study without
/// boards gives no text.
///
/// # Errors
/// If the study doesn't hold together; see [`verify`].
pub fn to_string(study: &Study, times: Times) -> Result<String, StudyError> {
    verify(study)?;
    let mut text = String::new();
    for (index, game) in study.games.iter().enumerate() {
        let fen: Fen = game.start.parse().map_err(|error| StudyError::Start {
            game: index,
            reason: format!("\"{}\": {error}", game.start),
        })?;
        write_game(&study.title, game, &fen, times, &mut text);
    }
    Ok(text)
}

fn write_game(title: &str, game: &Game, start: &Fen, times: Times, text: &mut String) {
    let tree = Tree::new(game, start.as_setup());
    let title = match one_line(title) {
        title if title.is_empty() => "?".to_owned(),
        title => title,
    };
    write_tag("Event", &title, text);
    for name in ["Site", "Date", "Round", "White", "Black", "Result"] {
        write_tag(
            name,
            match name {
                "Date" => "????.??.??",
                "Result" => "*",
                _ => "?",
            },
            text,
        );
    }
    write_tag("Annotator", "plyscribe", text);
    let set_up = *start.as_setup() != Setup::initial();
    if set_up {
        write_tag("FEN", &start.to_string(), text);
    }
    write_tag("PlyCount", &tree.main_line_plies().to_string(), text);
    if set_up {
        write_tag("SetUp", "1", text);
    }
    text.push('\n');
    let mut lines = Lines::new(text);
    write_movetext(&tree, times, &mut lines);
    lines.word("*");
    lines.finish();
    text.push('\n');
}

/// A game's nodes with what the order of writing needs.
struct Tree<'a> {
    nodes: &'a [Node],
    /// Children of each node, the main one first, the others as they were told.
    children: Vec<Vec<usize>>,
    /// Plies from the start of move 1 (White's move) to each node.
    plies: Vec<u64>,
}

impl<'a> Tree<'a> {
    fn new(game: &'a Game, start: &Setup) -> Tree<'a> {
        let nodes = &game.nodes;
        let mut children = vec![Vec::new(); nodes.len()];
        let moves_before = u64::from(start.fullmoves.get()) - 1;
        let mut plies = vec![2 * moves_before + u64::from(start.turn == Color::Black); nodes.len()];
        for (id, node) in nodes.iter().enumerate() {
            if let Some(parent) = node.parent {
                children[parent].push(id);
                plies[id] = plies[parent] + 1;
            }
        }
        for list in &mut children {
            if let Some(main) = list.iter().position(|&id| nodes[id].mainline) {
                list[..=main].rotate_right(1);
            }
        }
        Tree {
            nodes,
            children,
            plies,
        }
    }

    fn main_line_plies(&self) -> usize {
        std::iter::successors(Some(0), |&id: &usize| self.children[id].first().copied()).count() - 1
    }
}

/// What is still to be written. A stack instead of recursion: no depth of variations can exhaust the program's own.
enum Task {
    /// The line that goes on from a node; whether a black move needs its number there.
    Line { from: usize, number: bool },
    /// A variation that begins with this node's move.
    Variation(usize),
    /// The end of a variation.
    End,
}

fn write_movetext(tree: &Tree<'_>, times: Times, lines: &mut Lines<'_>) {
    write_comment(&tree.nodes[0], times, lines);
    let mut tasks = vec![Task::Line {
        from: 0,
        number: true,
    }];
    while let Some(task) = tasks.pop() {
        match task {
            Task::Line { from, number } => {
                let Some((&main, others)) = tree.children[from].split_first() else {
                    continue;
                };
                let annotated = write_move(tree, main, number, times, lines);
                tasks.push(Task::Line {
                    from: main,
                    number: annotated || !others.is_empty(),
                });
                tasks.extend(others.iter().rev().map(|&other| Task::Variation(other)));
            }
            Task::Variation(first) => {
                lines.open('(');
                let annotated = write_move(tree, first, true, times, lines);
                tasks.push(Task::End);
                tasks.push(Task::Line {
                    from: first,
                    number: annotated,
                });
            }
            Task::End => lines.close(')'),
        }
    }
}

/// Writes a move with its NAGs and its comment; tells whether it has any.
fn write_move(
    tree: &Tree<'_>,
    id: usize,
    number: bool,
    times: Times,
    lines: &mut Lines<'_>,
) -> bool {
    let node = &tree.nodes[id];
    let before = tree.plies[id] - 1;
    if before.is_multiple_of(2) {
        lines.word(&format!("{}.", before / 2 + 1));
    } else if number {
        lines.word(&format!("{}...", before / 2 + 1));
    }
    lines.word(node.san.as_deref().unwrap_or_default());
    for nag in &node.nags {
        lines.word(&format!("${nag}"));
    }
    write_comment(node, times, lines) || !node.nags.is_empty()
}

/// Writes what is said of a position, and when its move is said; tells whether there is anything.
fn write_comment(node: &Node, times: Times, lines: &mut Lines<'_>) -> bool {
    let time = node
        .mentions
        .first()
        .or(node.comments.first())
        .and_then(|passage| stamp(passage, times));
    let said = node
        .comments
        .iter()
        .map(|passage| comment_text(&passage.text))
        .collect::<Vec<_>>()
        .join(" ");
    let mut words = said
        .split(' ')
        .filter(|word| !word.is_empty())
        .flat_map(pieces)
        .peekable();
    if time.is_none() && words.peek().is_none() {
        return false;
    }
    lines.open('{');
    if let Some(time) = time {
        lines.word(&time);
    }
    words.for_each(|word| lines.comment_word(word));
    lines.close('}');
    true
}

fn stamp(passage: &Passage, times: Times) -> Option<String> {
    // `verify` has seen that times are finite and not negative; a float that is too large saturates.
    let tenths = (passage.start * 10.0).round() as u64;
    let (hours, minutes, seconds) = (tenths / 36_000, tenths / 600 % 60, tenths / 10 % 60);
    match times {
        Times::Commands => Some(format!(
            "[%said {hours}:{minutes:02}:{seconds:02}.{}]",
            tenths % 10
        )),
        Times::Plain if hours == 0 => Some(format!("({minutes}:{seconds:02})")),
        Times::Plain => Some(format!("({hours}:{minutes:02}:{seconds:02})")),
        Times::None => None,
    }
}

/// The text with every run of white space and control characters as one space, and none at its ends.
fn one_line(text: &str) -> String {
    let words = text
        .split(|c: char| c.is_whitespace() || c.is_control())
        .filter(|word| !word.is_empty());
    words.collect::<Vec<_>>().join(" ")
}

/// The text as it may stand in a comment: on one line, without braces, and without the start of a command.
fn comment_text(text: &str) -> String {
    one_line(text)
        .replace('{', "(")
        .replace('}', ")")
        .replace("[%", "(%")
}

/// Splits a word that is too long for a line, after a sign if there is one late enough.
fn pieces(word: &str) -> impl Iterator<Item = &str> {
    let mut rest = word;
    std::iter::from_fn(move || {
        if rest.is_empty() {
            return None;
        }
        let (piece, after) = rest.split_at(piece_length(rest));
        rest = after;
        Some(piece)
    })
}

/// Length in bytes of the first piece of a word.
fn piece_length(word: &str) -> usize {
    let Some((most, _)) = word.char_indices().nth(LONGEST_WORD) else {
        return word.len();
    };
    let piece = &word[..most];
    let after_sign = piece
        .char_indices()
        .rev()
        .map(|(at, c)| (at + c.len_utf8(), c))
        .take_while(|&(end, _)| end > most / 2)
        .find(|&(end, c)| "-–—/_.,;:?!&=+".contains(c) && !joins_what_is_before(word, end));
    if let Some((end, _)) = after_sign {
        return end;
    }
    let whole = piece.char_indices().rev().map(|(at, c)| at + c.len_utf8());
    whole
        .take_while(|&end| end > most / 2)
        .find(|&end| !joins_what_is_before(word, end))
        .unwrap_or(most)
}

/// Whether the character at this byte belongs to the sign before it: accents, joiners, variants and skin tones.
fn joins_what_is_before(word: &str, at: usize) -> bool {
    let joiner = |c: char| matches!(c, '\u{200d}');
    let next = word[at..].chars().next();
    let before = word[..at].chars().next_back();
    before.is_some_and(joiner)
        || next.is_some_and(|c| {
            joiner(c) || matches!(c, '\u{300}'..='\u{36f}' | '\u{fe00}'..='\u{fe0f}' | '\u{1f3fb}'..='\u{1f3ff}')
        })
}

/// Writes a tag pair (sections 8.1.1 and 7: a quote and a backslash have a backslash before them). A value that would
/// make the line too long is cut.
fn write_tag(name: &str, value: &str, text: &mut String) {
    let room = TAG_LINE - "[ \"\"]\n".len() - name.len();
    let escape = |c: char| match c {
        '"' => "\\\"".to_owned(),
        '\\' => "\\\\".to_owned(),
        c => c.to_string(),
    };
    let mut escaped: String = value.chars().map(escape).collect();
    if escaped.len() > room {
        let ellipsis = "…";
        escaped.clear();
        for c in value.chars().map(escape) {
            if escaped.len() + c.len() + ellipsis.len() > room {
                break;
            }
            escaped.push_str(&c);
        }
        escaped.truncate(escaped.trim_end().len());
        escaped.push_str(ellipsis);
    }
    text.push_str(&format!("[{name} \"{escaped}\"]\n"));
}

/// Fills lines with words, as many as fit. The last word waits until it is known what is glued to it.
struct Lines<'a> {
    text: &'a mut String,
    /// Columns of the line that is being filled.
    column: usize,
    /// The word that is not yet written.
    waiting: String,
    /// An opening bracket that goes before the next word.
    opening: Option<char>,
}

impl Lines<'_> {
    fn new(text: &mut String) -> Lines<'_> {
        Lines {
            text,
            column: 0,
            waiting: String::new(),
            opening: None,
        }
    }

    fn word(&mut self, word: &str) {
        self.flush();
        self.waiting.extend(self.opening.take());
        self.waiting.push_str(word);
    }

    /// A word of a comment. One that would mean something else at the start of a line (`%`: section 6; `[`: a tag, to
    /// a careless reader) is glued to the word before it; should that not fit a line, `%` is written in its wide form.
    fn comment_word(&mut self, word: &str) {
        let sticks = word.starts_with(['%', '[']) && self.opening.is_none();
        if sticks && width(&self.waiting) + 1 + width(word) <= COLUMNS {
            self.waiting.push(' ');
            self.waiting.push_str(word);
        } else if sticks && let Some(rest) = word.strip_prefix('%') {
            self.word(&format!("％{rest}"));
        } else {
            self.word(word);
        }
    }

    fn open(&mut self, bracket: char) {
        self.flush();
        self.opening = Some(bracket);
    }

    fn close(&mut self, bracket: char) {
        if width(&self.waiting) + 1 > COLUMNS {
            self.flush();
        }
        self.waiting.push(bracket);
    }

    fn flush(&mut self) {
        if self.waiting.is_empty() {
            return;
        }
        let width = width(&self.waiting);
        if self.column == 0 {
            self.column = width;
        } else if self.column + 1 + width <= COLUMNS {
            self.text.push(' ');
            self.column += 1 + width;
        } else {
            self.text.push('\n');
            self.column = width;
        }
        self.text.push_str(&self.waiting);
        self.waiting.clear();
    }

    fn finish(mut self) {
        self.flush();
        self.text.push('\n');
    }
}

fn width(text: &str) -> usize {
    text.chars().count()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_rounded_to_tenths_before_they_are_split() {
        let at = |start, times| {
            stamp(
                &Passage {
                    start,
                    end: start,
                    text: String::new(),
                },
                times,
            )
        };
        assert_eq!(
            at(131.42, Times::Commands).as_deref(),
            Some("[%said 0:02:11.4]")
        );
        assert_eq!(
            at(59.96, Times::Commands).as_deref(),
            Some("[%said 0:01:00.0]")
        );
        assert_eq!(
            at(3_599.99, Times::Commands).as_deref(),
            Some("[%said 1:00:00.0]")
        );
        assert_eq!(
            at(36_000.0, Times::Commands).as_deref(),
            Some("[%said 10:00:00.0]")
        );
        assert_eq!(at(131.42, Times::Plain).as_deref(), Some("(2:11)"));
        assert_eq!(at(9.0, Times::Plain).as_deref(), Some("(0:09)"));
        assert_eq!(at(3_731.0, Times::Plain).as_deref(), Some("(1:02:11)"));
        assert_eq!(at(131.42, Times::None), None);
    }

    #[test]
    fn long_words_are_split_after_a_sign_and_lose_nothing() {
        let plain = "x".repeat(200);
        let lengths: Vec<usize> = pieces(&plain).map(width).collect();
        assert_eq!(lengths, [78, 78, 44]);

        let path = format!("{}/{}/{}", "a".repeat(50), "b".repeat(20), "c".repeat(60));
        let split: Vec<&str> = pieces(&path).collect();
        assert!(split[0].ends_with("b/"), "{split:?}");
        assert_eq!(split.concat(), path);

        // 39 letters with an accent of their own are 78 characters; shifted by one, the accent would be torn off.
        let accents = format!("i{}", "e\u{301}".repeat(60));
        let split: Vec<&str> = pieces(&accents).collect();
        assert_eq!(split.concat(), accents);
        assert!(
            split.iter().all(|piece| !piece.starts_with('\u{301}')),
            "{split:?}"
        );
        assert_eq!(
            pieces(&"\u{301}".repeat(160))
                .map(width)
                .collect::<Vec<_>>(),
            [78, 78, 4]
        );
    }

    fn filled(words: &[&str]) -> String {
        let mut text = String::new();
        let mut lines = Lines::new(&mut text);
        lines.open('{');
        words.iter().for_each(|word| lines.comment_word(word));
        lines.close('}');
        lines.finish();
        text
    }

    #[test]
    fn no_line_begins_with_the_escape_sign() {
        // "{" and 77 letters, then a word that can't go on the same line.
        let long = "x".repeat(77);
        assert_eq!(
            filled(&["so", &long, "%of"]),
            format!("{{so\n{long}\n％of}}\n")
        );
        let shorter = "x".repeat(75);
        assert_eq!(
            filled(&["so", &shorter, "%of"]),
            format!("{{so\n{shorter} %of\n}}\n")
        );
        let many = vec!["%"; 300];
        let text = filled(&many);
        assert!(
            text.lines()
                .all(|line| !line.starts_with('%') && width(line) <= COLUMNS),
            "{text}"
        );
        assert_eq!(text.matches(['%', '％']).count(), 300);
    }

    #[test]
    fn a_closing_bracket_that_does_not_fit_goes_to_the_next_line() {
        let word = "x".repeat(78);
        assert_eq!(filled(&[&word]), format!("{{{word}\n}}\n"));
        assert_eq!(filled(&["y", &word]), format!("{{y\n{word}}}\n"));
    }

    #[test]
    fn a_title_too_long_for_its_line_is_cut_between_characters() {
        for title in ["é".repeat(300), "\"".repeat(300), "\\é".repeat(200)] {
            let mut text = String::new();
            write_tag("Event", &title, &mut text);
            assert!(text.len() <= TAG_LINE && text.ends_with("…\"]\n"), "{text}");
            assert!(
                text.len() > TAG_LINE - 8,
                "more was cut than needed: {text}"
            );
        }
        let mut text = String::new();
        let fits = "x".repeat(TAG_LINE - "[Event \"\"]\n".len());
        write_tag("Event", &fits, &mut text);
        assert_eq!(text, format!("[Event \"{fits}\"]\n"));
    }
}
