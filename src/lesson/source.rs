//! The source of a lesson with its key: a narration with `[words]{SAN}` mentions and `{directives}` woven in.

use std::collections::HashMap;

use serde_json::{Value, json};
use shakmaty::fen::{Epd, Fen};
use shakmaty::san::{San, SanPlus};
use shakmaty::{CastlingMode, Chess, EnPassantMode, FromSetup, Move, Position};
use thiserror::Error;

use crate::transcript::{Transcript, Word};

/// Why a lesson source can't be used.
#[derive(Debug, Error)]
#[error("{name}, line {line}: {problem}")]
pub struct SourceError {
    /// Name of the lesson.
    pub name: String,
    /// Line, from 1.
    pub line: usize,
    /// What is wrong.
    pub problem: String,
}

/// What a bracketed phrase is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MentionKind {
    /// Moves that are played.
    Played,
    /// An illegal mention with the move that was meant.
    Slip,
    /// A mention that fits several moves.
    Either,
    /// Squares or moves that are not played.
    Idea,
    /// An evaluation.
    Nag,
}

/// A bracketed phrase.
#[derive(Debug, Clone)]
pub struct Mention {
    /// What it is.
    pub kind: MentionKind,
    /// First word.
    pub first: usize,
    /// Word behind the last.
    pub end: usize,
    /// Board and node before each move, and the move.
    pub moves: Vec<(usize, usize, Move)>,
}

/// Something that happens between two words.
#[derive(Debug, Clone)]
pub enum Walk {
    /// The talk is now at (board, node).
    At(usize, usize),
    /// A move that no words say is made.
    Silent(usize, usize, Move),
    /// A board is set up.
    Start(usize),
}

/// One board of the key.
#[derive(Debug, Clone)]
pub struct Board {
    /// Start position.
    pub start: Chess,
    /// FEN of it.
    pub fen: String,
    /// Whether the tool is given the position.
    pub given: bool,
    /// Nodes: parent and move (`None` for the root), position, said, first mention's word span, NAGs.
    pub nodes: Vec<SourceNode>,
    /// Explicit main line end.
    pub main_end: Option<usize>,
}

/// A node of the key.
#[derive(Debug, Clone)]
pub struct SourceNode {
    /// Node before.
    pub parent: Option<usize>,
    /// The move.
    pub play: Option<Move>,
    /// Position after it.
    pub position: Chess,
    /// Words of the first mention.
    pub said: Option<(usize, usize)>,
    /// NAGs.
    pub nags: Vec<u8>,
}

/// A parsed lesson.
#[derive(Debug, Clone)]
pub struct Source {
    /// Name: the file's stem.
    pub name: String,
    /// Header fields.
    pub meta: HashMap<String, String>,
    /// Words as they were written.
    pub words: Vec<String>,
    /// Mentions in order.
    pub mentions: Vec<Mention>,
    /// Events between words: (word before which, what).
    pub walks: Vec<(usize, Walk)>,
    /// Boards.
    pub boards: Vec<Board>,
    /// Flags of the key: kind, words, board, node, wanted move, optional.
    #[allow(clippy::type_complexity)]
    pub flags: Vec<(MentionKind, usize, usize, usize, usize, Option<Move>, bool)>,
    /// Stretches with the board standing still: (first word, end word, board, node).
    pub spans: Vec<(usize, usize, usize, usize)>,
}

fn uci(m: Move) -> String {
    m.to_uci(CastlingMode::Standard).to_string()
}

impl Board {
    fn play(&mut self, at: usize, play: Move) -> usize {
        if let Some(i) = self
            .nodes
            .iter()
            .position(|n| n.parent == Some(at) && n.play == Some(play))
        {
            return i;
        }
        let mut position = self.nodes[at].position.clone();
        position.play_unchecked(play);
        self.nodes.push(SourceNode {
            parent: Some(at),
            play: Some(play),
            position,
            said: None,
            nags: Vec::new(),
        });
        self.nodes.len() - 1
    }

    fn find(&self, at: usize, san: &str) -> Result<Move, String> {
        let san: San = san
            .trim_end_matches(['+', '#', '!', '?'])
            .parse()
            .map_err(|_| format!("`{san}` is no move in notation"))?;
        san.to_move(&self.nodes[at].position).map_err(|e| {
            format!(
                "{san}: {e} in {}",
                Fen::from_position(&self.nodes[at].position, EnPassantMode::Legal)
            )
        })
    }

    /// The main line as node indices.
    pub fn main_line(&self) -> Vec<usize> {
        let mut line = Vec::new();
        let mut at = self.main_end;
        while let Some(n) = at.filter(|&n| n != 0) {
            line.push(n);
            at = self.nodes[n].parent;
        }
        line.reverse();
        let mut end = line.last().copied().unwrap_or(0);
        while let Some(next) = self.nodes.iter().position(|n| n.parent == Some(end)) {
            line.push(next);
            end = next;
        }
        line
    }
}

impl Source {
    /// Parses a lesson source.
    ///
    /// # Errors
    /// [`SourceError`] with the line of the first thing that is wrong.
    pub fn parse(name: &str, text: &str) -> Result<Source, SourceError> {
        let fail = |line: usize, problem: String| SourceError {
            name: name.to_owned(),
            line,
            problem,
        };
        let (head, body) = text
            .split_once("\n---\n")
            .ok_or_else(|| fail(1, "no '---' line between header and body".into()))?;
        let mut meta = HashMap::new();
        for (i, line) in head.lines().enumerate() {
            if line.trim().is_empty() {
                continue;
            }
            let (key, value) = line
                .split_once(':')
                .ok_or_else(|| fail(i + 1, format!("header line not understood: {line}")))?;
            meta.insert(key.trim().to_owned(), value.trim().to_owned());
        }
        let mut s = Source {
            name: name.to_owned(),
            meta,
            words: Vec::new(),
            mentions: Vec::new(),
            walks: Vec::new(),
            boards: Vec::new(),
            flags: Vec::new(),
            spans: Vec::new(),
        };
        let mut labels: HashMap<String, usize> = HashMap::new();
        let mut cursor = 0usize;
        let mut log: Vec<(usize, Option<usize>, usize)> = vec![(0, None, 0)];
        let head_lines = head.lines().count() + 1;
        let mut rest = body;
        let mut after_gap = true;
        while !rest.is_empty() {
            let trimmed = rest.trim_start();
            after_gap |= trimmed.len() != rest.len();
            rest = trimmed;
            if rest.is_empty() {
                break;
            }
            let line = head_lines + body[..body.len() - rest.len()].matches('\n').count() + 1;
            let mut span = None;
            let directive;
            if rest.starts_with('[') {
                let close = rest
                    .find(']')
                    .ok_or_else(|| fail(line, "a phrase without ']'".into()))?;
                let phrase = &rest[1..close];
                rest = &rest[close + 1..];
                if !rest.starts_with('{') {
                    return Err(fail(line, format!("no directive behind [{phrase}]")));
                }
                let first = s.words.len();
                s.words.extend(phrase.split_whitespace().map(str::to_owned));
                span = Some((first, s.words.len()));
            }
            if rest.starts_with('{') {
                let close = rest
                    .find('}')
                    .ok_or_else(|| fail(line, "a directive without '}'".into()))?;
                directive = rest[1..close].trim().to_owned();
                rest = &rest[close + 1..];
                after_gap = false;
            } else {
                let end = rest
                    .find(|c: char| c.is_whitespace() || "[]{}".contains(c))
                    .unwrap_or(rest.len());
                if end == 0 {
                    return Err(fail(line, "stray bracket".into()));
                }
                let word = &rest[..end];
                rest = &rest[end..];
                match s.words.last_mut() {
                    Some(last) if !after_gap && !word.chars().any(char::is_alphanumeric) => {
                        last.push_str(word)
                    }
                    _ => s.words.push(word.to_owned()),
                }
                after_gap = false;
                continue;
            }
            s.direct(&directive, span, &mut cursor, &mut labels)
                .map_err(|p| fail(line, p))?;
            log.push((s.words.len(), s.boards.len().checked_sub(1), cursor));
        }
        log.push((s.words.len(), None, 0));
        for pair in log.windows(2) {
            if let (Some(board), true) = (pair[0].1, pair[1].0 > pair[0].0) {
                s.spans.push((pair[0].0, pair[1].0, board, pair[0].2));
            }
        }
        if s.boards.is_empty() {
            return Err(fail(1, "no {start}".into()));
        }
        Ok(s)
    }

    fn direct(
        &mut self,
        directive: &str,
        span: Option<(usize, usize)>,
        cursor: &mut usize,
        labels: &mut HashMap<String, usize>,
    ) -> Result<(), String> {
        let (op, rest) = directive.split_once(' ').unwrap_or((directive, ""));
        let rest = rest.trim();
        let here = self.words.len();
        if op == "start" {
            let (fen, how) = rest.split_once('|').unwrap_or((rest, ""));
            let start = if fen.trim().is_empty() {
                Chess::default()
            } else {
                let setup: Fen = fen.trim().parse().map_err(|e| format!("{fen}: {e}"))?;
                Chess::from_setup(setup.into_setup(), CastlingMode::Standard)
                    .map_err(|e| format!("{fen}: {e}"))?
            };
            let fen = Fen::from_position(&start, EnPassantMode::Legal).to_string();
            self.boards.push(Board {
                nodes: vec![SourceNode {
                    parent: None,
                    play: None,
                    position: start.clone(),
                    said: None,
                    nags: Vec::new(),
                }],
                start,
                fen,
                given: how.trim() != "spoken",
                main_end: None,
            });
            labels.clear();
            labels.insert("start".into(), 0);
            *cursor = 0;
            self.walks.push((here, Walk::Start(self.boards.len() - 1)));
            return Ok(());
        }
        let b = self
            .boards
            .len()
            .checked_sub(1)
            .ok_or("a move or label before the first {start}")?;
        let (first, end) = span.unwrap_or((here, here));
        match op {
            "mark" => {
                labels.insert(rest.to_owned(), *cursor);
            }
            "to" => {
                *cursor = *labels
                    .get(rest)
                    .ok_or_else(|| format!("no mark named `{rest}`"))?;
                self.walks.push((here, Walk::At(b, *cursor)));
            }
            "back" => {
                for _ in 0..rest.parse::<usize>().unwrap_or(1) {
                    *cursor = self.boards[b].nodes[*cursor]
                        .parent
                        .ok_or("{back} past the start")?;
                }
                self.walks.push((here, Walk::At(b, *cursor)));
            }
            "main" => self.boards[b].main_end = Some(*cursor),
            "silent" => {
                for san in rest.split_whitespace() {
                    let play = self.boards[b].find(*cursor, san)?;
                    self.walks.push((here, Walk::Silent(b, *cursor, play)));
                    *cursor = self.boards[b].play(*cursor, play);
                }
            }
            "idea" => self.mentions.push(Mention {
                kind: MentionKind::Idea,
                first,
                end,
                moves: Vec::new(),
            }),
            "nag" => {
                self.boards[b].nodes[*cursor]
                    .nags
                    .push(rest.parse().map_err(|_| format!("`{rest}` is no NAG"))?);
                self.mentions.push(Mention {
                    kind: MentionKind::Nag,
                    first,
                    end,
                    moves: Vec::new(),
                });
            }
            "slip" | "either" => {
                let (_, want) = rest.split_once("->").ok_or("a slip or either needs '->'")?;
                let kind = if op == "slip" {
                    MentionKind::Slip
                } else {
                    MentionKind::Either
                };
                let at = *cursor;
                let mut moves = Vec::new();
                let mut wanted = None;
                if want.trim() != "?" {
                    let play = self.boards[b].find(at, want.trim())?;
                    moves.push((b, at, play));
                    *cursor = self.boards[b].play(at, play);
                    self.boards[b].nodes[*cursor]
                        .said
                        .get_or_insert((first, end));
                    wanted = Some(play);
                }
                self.flags.push((kind, first, end, b, at, wanted, false));
                self.mentions.push(Mention {
                    kind,
                    first,
                    end,
                    moves,
                });
            }
            _ => {
                if span.is_none() {
                    return Err(format!("unknown directive {{{directive}}}"));
                }
                let mut moves = Vec::new();
                for san in directive.split_whitespace() {
                    let play = self.boards[b].find(*cursor, san)?;
                    let to = play.to_uci(CastlingMode::Standard).to();
                    let rivals = self.boards[b].nodes[*cursor]
                        .position
                        .legal_moves()
                        .iter()
                        .filter(|m| m.to_uci(CastlingMode::Standard).to() == to)
                        .count();
                    if rivals > 1 {
                        self.flags.push((
                            MentionKind::Either,
                            first,
                            end,
                            b,
                            *cursor,
                            Some(play),
                            true,
                        ));
                    }
                    moves.push((b, *cursor, play));
                    *cursor = self.boards[b].play(*cursor, play);
                    self.boards[b].nodes[*cursor]
                        .said
                        .get_or_insert((first, end));
                }
                self.mentions.push(Mention {
                    kind: MentionKind::Played,
                    first,
                    end,
                    moves,
                });
            }
        }
        Ok(())
    }

    /// Language code.
    pub fn language(&self) -> &str {
        self.meta.get("language").map_or("en", String::as_str)
    }

    /// The lesson as a transcript, with times made up from word lengths at the header's speed, and for each word of the
    /// transcript the number of the source's word.
    pub fn transcript(&self) -> (Transcript, Vec<usize>) {
        let speed: f64 = self
            .meta
            .get("speed")
            .and_then(|s| s.parse().ok())
            .unwrap_or(150.0);
        let lower = self.meta.get("case").is_some_and(|c| c == "lower");
        let mut now = 0.8;
        let mut seed = self.name.bytes().fold(0xcbf2_9ce4_8422_2325u64, |h, b| {
            (h ^ u64::from(b)).wrapping_mul(0x0100_0000_01b3)
        });
        let mut random = || {
            seed ^= seed << 13;
            seed ^= seed >> 7;
            seed ^= seed << 17;
            (seed >> 11) as f64 / (1u64 << 53) as f64
        };
        let mut words = Vec::new();
        let mut from = Vec::new();
        for (i, word) in self.words.iter().enumerate() {
            let length = ((0.45 + 0.11 * word.chars().count() as f64) / (speed / 60.0)
                * (0.85 + 0.3 * random())
                * 0.82)
                .max(0.12);
            let text = if lower {
                word.trim_matches(|c: char| !c.is_alphanumeric() && c != '\'' && c != '’')
                    .to_lowercase()
            } else {
                word.clone()
            };
            if !text.is_empty() {
                let round = |t: f64| (t * 100.0).round() / 100.0;
                words.push(Word {
                    text,
                    start: round(now),
                    end: round(now + length),
                    caption: (words.len() / 11) as u32,
                    turn: false,
                });
                from.push(i);
            }
            now += length + 0.02;
            match word.chars().last() {
                Some('.' | '?' | '!') => now += 0.25 + 0.55 * random(),
                Some(',' | ';' | ':') => now += 0.08 + 0.17 * random(),
                _ => {}
            }
        }
        let seconds = words.last().map_or(0.0, |w| w.end);
        (
            Transcript {
                words,
                language: Some(self.language().to_owned()),
                title: self.meta.get("title").cloned(),
                seconds,
                warnings: Vec::new(),
            },
            from,
        )
    }

    /// The key as JSON, in the shape that the scorers read.
    pub fn gold(&self) -> Value {
        let (transcript, from) = self.transcript();
        let mut start = vec![0.0; self.words.len() + 1];
        let mut end = vec![0.0; self.words.len() + 1];
        for (word, &i) in transcript.words.iter().zip(&from) {
            start[i] = word.start;
            end[i] = word.end;
        }
        for i in 1..self.words.len() {
            if start[i] == 0.0 {
                start[i] = end[i - 1];
                end[i] = end[i - 1];
            }
        }
        let time = |(a, b): (usize, usize)| (start[a], end[b - 1]);
        let epd = |p: &Chess| Epd::from_position(p, EnPassantMode::Legal).to_string();
        let games: Vec<Value> = self
            .boards
            .iter()
            .map(|board| {
                let moves: Vec<Value> = board
                    .nodes
                    .iter()
                    .enumerate()
                    .skip(1)
                    .filter_map(|(id, n)| {
                        let (parent, play) = (n.parent?, n.play?);
                        let before = &board.nodes[parent].position;
                        let when = n.said.map(time);
                        Some(json!({
                            "id": id, "parent": parent, "san": SanPlus::from_move(before.clone(), play).to_string(), "uci": uci(play), "epd": epd(before),
                            "t": when.map(|w| w.0), "end": when.map(|w| w.1), "said": n.said.map(|(a, b)| self.words[a..b].join(" ")),
                            "silent": n.said.is_none(), "nags": n.nags,
                        }))
                    })
                    .collect();
                let main: Vec<String> = board.main_line().iter().filter_map(|&i| board.nodes[i].play).map(uci).collect();
                json!({"start": board.fen, "given": board.given, "main": main, "moves": moves})
            })
            .collect();
        let flags: Vec<Value> = self
            .flags
            .iter()
            .map(|&(kind, a, b, game, at, want, optional)| {
                let (t, e) = time((a, b));
                json!({"kind": if kind == MentionKind::Slip { "illegal" } else { "ambiguous" }, "t": t, "end": e, "said": self.words[a..b].join(" "), "game": game, "at": at, "want": want.map(uci), "optional": optional})
            })
            .collect();
        let ideas: Vec<Value> = self
            .mentions
            .iter()
            .filter(|m| m.kind == MentionKind::Idea)
            .map(|m| {
                let (t, e) = time((m.first, m.end));
                json!({"t": t, "end": e, "said": self.words[m.first..m.end].join(" ")})
            })
            .collect();
        let probes: Vec<Value> = self
            .spans
            .iter()
            .filter(|s| s.1 - s.0 >= 6)
            .map(|&(a, b, game, node)| json!({"t": start[(a + b) / 2], "game": game, "epd": epd(&self.boards[game].nodes[node].position)}))
            .collect();
        json!({"name": self.name, "language": self.language(), "title": self.meta.get("title").unwrap_or(&self.name), "seconds": transcript.seconds,
               "words": self.words.len(), "games": games, "flags": flags, "ideas": ideas, "probes": probes})
    }
}
