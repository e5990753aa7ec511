//! From the best reading of a lesson to its study: comments, times, main line, verdicts, flags.

use std::collections::HashMap;

use shakmaty::fen::Fen;
use shakmaty::{Chess, EnPassantMode};

use super::{Candidate, Flag, FlagKind, Game, Node, Passage, Source, Span, Study};
use crate::board::NodeId;
use crate::decode::{Action, Decoder, Outcome};
use crate::grammar::Grammar;
use crate::speech::{Kind, Stop, Token};
use crate::transcript::Transcript;

/// A change of the board: from a token on, a node stands there.
struct Change {
    token: usize,
    node: NodeId,
}

fn fen(position: &Chess) -> String {
    Fen::from_position(position, EnPassantMode::Legal).to_string()
}

/// Words of a stretch of tokens as they stand in the transcript.
pub(crate) fn passage(
    transcript: &Transcript,
    tokens: &[Token],
    first: usize,
    end: usize,
) -> Option<Passage> {
    let a = tokens.get(first)?.word as usize;
    let b = tokens.get(end.checked_sub(1)?)?.word as usize;
    if first >= end || b < a {
        return None;
    }
    let words = &transcript.words[a..=b];
    let text = words
        .iter()
        .map(|w| w.text.as_str())
        .collect::<Vec<_>>()
        .join(" ");
    Some(Passage {
        start: words[0].start,
        end: words[words.len() - 1].end,
        text,
    })
}

/// Builds the study of a lesson from the outcome of the search.
///
/// `title` and `name` are the lesson's title and its file name.
pub fn build(
    outcome: &Outcome,
    decoder: &Decoder,
    grammar: &Grammar,
    transcript: &Transcript,
    title: &str,
    name: &str,
) -> Study {
    let speech = decoder.speech;
    let tokens = &speech.tokens;
    let forest = &decoder.forest;
    let nodes = outcome.best.nodes();
    // Games and ids.
    let mut roots: Vec<NodeId> = Vec::new();
    let mut place: HashMap<NodeId, (usize, usize)> = HashMap::new();
    let mut games: Vec<Game> = Vec::new();
    let weights = survivors(outcome);
    for &id in nodes.iter() {
        let n = forest.node(id);
        let game = match roots.iter().position(|&r| r == n.root) {
            Some(g) => g,
            None => {
                roots.push(n.root);
                games.push(Game {
                    start: fen(forest.position(n.root)),
                    nodes: Vec::new(),
                });
                roots.len() - 1
            }
        };
        let list = &mut games[game].nodes;
        let local = list.len();
        place.insert(id, (game, local));
        let incoming = forest.incoming(id);
        list.push(Node {
            id: local,
            parent: n.parent.map(|p| place[&p].1),
            uci: incoming.map(|m| forest.uci(m.play)),
            san: n.parent.map(|p| forest.san(p, n.by)),
            fen: fen(forest.position(id)),
            mainline: n.parent.is_none(),
            confidence: incoming.map(|_| weights.get(&id).copied().unwrap_or(0.5)),
            nags: Vec::new(),
            mentions: Vec::new(),
            comments: Vec::new(),
        });
    }
    // What is on the board when, and who says what.
    let back = grammar.class("back") | grammar.class("instead") | grammar.class("again");
    let mut changes = vec![Change {
        token: 0,
        node: nodes[0],
    }];
    let mut last_end = 0usize;
    for step in &outcome.path {
        let event = &speech.events[step.event as usize];
        if let Action::Play {
            from,
            found,
            place: at,
        } = step.action
        {
            if at.rel != 0 {
                changes.push(Change {
                    token: return_token(tokens, last_end, event.phrase, back),
                    node: from,
                });
            }
            let source = found
                .fill
                .and_then(|(reply, _)| forest.child(from, reply))
                .unwrap_or(from);
            let child = forest.child(source, found.index).unwrap_or(source);
            let mut said = vec![child];
            if let Some(second) = found.second {
                said.extend(forest.child(child, second));
            }
            let end = event.phrase_end.max(event.end);
            // The words of a move begin with its piece, however far before the square that was said.
            let first = match (event.slots.mover, event.slots.mover_at) {
                (Some((role, _)), Some(at))
                    if at >= last_end
                        && role == forest.moves(source)[usize::from(found.index)].role =>
                {
                    at.min(event.phrase)
                }
                _ => event.phrase,
            };
            for id in &said {
                if let (Some(&(game, local)), Some(p)) =
                    (place.get(id), passage(transcript, tokens, first, end))
                {
                    games[game].nodes[local].mentions.push(p);
                }
            }
            changes.push(Change {
                token: end,
                node: said[said.len() - 1],
            });
            last_end = end;
        }
    }
    // Timeline.
    let mut timeline: Vec<Span> = Vec::new();
    let seconds = transcript
        .seconds
        .max(transcript.words.last().map_or(0.0, |w| w.end));
    for (i, change) in changes.iter().enumerate() {
        let start = tokens
            .get(change.token)
            .map_or(seconds, |t| transcript.words[t.word as usize].start);
        let end = changes.get(i + 1).map_or(seconds, |next| {
            tokens
                .get(next.token)
                .map_or(seconds, |t| transcript.words[t.word as usize].start)
        });
        // Phrases may overlap; spans must not.
        let start = timeline.last().map_or(start, |last| start.max(last.end));
        if end > start {
            let (game, node) = place[&change.node];
            match timeline.last_mut() {
                Some(last)
                    if (last.game, last.node) == (game, node)
                        && (last.end - start).abs() < 1e-9 =>
                {
                    last.end = end
                }
                _ => timeline.push(Span {
                    start,
                    end,
                    game,
                    node,
                }),
            }
        }
    }
    // Comments: whole sentences.
    let mut at = 0;
    for (first, end) in sentences(tokens, transcript, &changes) {
        while at + 1 < changes.len() && changes[at + 1].token <= first {
            at += 1;
        }
        let mut owner = changes[at].node;
        let mut ahead = at;
        while ahead + 1 < changes.len() && changes[ahead + 1].token < end {
            ahead += 1;
            owner = changes[ahead].node;
        }
        // A move whose words end the sentence owns it.
        if ahead + 1 < changes.len() && changes[ahead + 1].token == end {
            owner = changes[ahead + 1].node;
        }
        if let (Some(&(game, local)), Some(p)) =
            (place.get(&owner), passage(transcript, tokens, first, end))
        {
            games[game].nodes[local].comments.push(p);
        }
    }
    for (token, nag) in verdicts(tokens, grammar) {
        let now = changes
            .iter()
            .take_while(|c| c.token <= token)
            .last()
            .map_or(changes[0].node, |c| c.node);
        let (game, local) = place[&now];
        let list = &mut games[game].nodes[local].nags;
        if !list.contains(&nag) && games[game].nodes[local].parent.is_some() {
            games[game].nodes[local].nags.push(nag);
        }
    }
    for (game, root) in games.iter_mut().zip(&roots) {
        let last = nodes
            .iter()
            .rev()
            .find(|&&n| forest.node(n).root == *root)
            .map_or(0, |n| place[n].1);
        mark_main_line(game, last);
    }
    let flags = flags(outcome, decoder, transcript, &place);
    Study {
        format: Study::FORMAT.to_owned(),
        version: Study::VERSION,
        title: title.to_owned(),
        language: grammar.language().to_owned(),
        source: Source {
            name: name.to_owned(),
            seconds,
        },
        games,
        timeline,
        flags,
    }
}

/// Share of the surviving readings' weight that holds each node.
fn survivors(outcome: &Outcome) -> HashMap<NodeId, f64> {
    let top = outcome
        .beam
        .iter()
        .map(|s| s.score)
        .fold(f32::MIN, f32::max);
    let mut sum = 0.0;
    let mut out: HashMap<NodeId, f64> = HashMap::new();
    for state in &outcome.beam {
        let w = f64::from((state.score - top) / 2.0).exp();
        sum += w;
        for &n in state.nodes().iter() {
            *out.entry(n).or_default() += w;
        }
    }
    for w in out.values_mut() {
        *w /= sum;
    }
    out
}

/// The token at which the talk goes elsewhere: the sentence of the first word of return behind the last move, else the
/// sentence (or the clause) that holds the next move.
fn return_token(tokens: &[Token], from: usize, to: usize, back: u64) -> usize {
    if from >= to {
        return to;
    }
    let sentence = |token: usize| {
        (from..=token)
            .rev()
            .find(|&j| tokens[j].stop == Stop::Full)
            .unwrap_or(from)
    };
    if let Some(cue) = (from..to).find(|&j| tokens[j].classes & back != 0) {
        let start = sentence(cue);
        return if cue - start > 12 { cue } else { start };
    }
    let start = sentence(to);
    if to - start > 14 {
        (start..=to)
            .rev()
            .find(|&j| tokens[j].stop == Stop::Weak)
            .unwrap_or(to.saturating_sub(6).max(from))
    } else {
        start
    }
}

/// Sentences as token ranges. Captions without punctuation are cut at pauses and where the board changes.
fn sentences(tokens: &[Token], transcript: &Transcript, changes: &[Change]) -> Vec<(usize, usize)> {
    let full = tokens.iter().filter(|t| t.stop == Stop::Full).count();
    let punctuated = full * 40 > tokens.len();
    let mut out = Vec::new();
    let mut first = 0;
    for j in 1..=tokens.len() {
        let cut = j == tokens.len()
            || if punctuated {
                tokens[j].stop == Stop::Full
            } else {
                let (a, b) = (tokens[j - 1].word as usize, tokens[j].word as usize);
                let pause = a != b && transcript.words[b].start - transcript.words[a].end > 0.45;
                (pause && j - first > 5)
                    || (j - first > 4 && changes.iter().any(|c| c.token == j))
                    || j - first > 40
            };
        // Never inside one word of the transcript.
        if cut && (j == tokens.len() || tokens[j - 1].word != tokens[j].word) {
            out.push((first, j));
            first = j;
        }
    }
    out
}

fn verdicts(tokens: &[Token], grammar: &Grammar) -> Vec<(usize, u8)> {
    let negation = grammar.class("negation");
    let mut out = Vec::new();
    let mut j = 0;
    while j < tokens.len() {
        let hit = grammar
            .verdicts_from(&tokens[j].text)
            .iter()
            .find(|(parts, _)| {
                j + parts.len() <= tokens.len()
                    && tokens[j..].iter().zip(parts).all(|(t, p)| t.text == *p)
            });
        match hit {
            Some((parts, nag)) => {
                let denied = (j.saturating_sub(3)..j).any(|i| {
                    tokens[i].classes & negation != 0
                        && tokens[i + 1..=j].iter().all(|t| t.stop == Stop::None)
                });
                if !denied && parts.len() > 1 {
                    out.push((j, *nag));
                }
                j += parts.len();
            }
            None => j += 1,
        }
    }
    out
}

/// The main line: from each node to the child whose line is deepest, told latest, and holds the last move of the lesson.
fn mark_main_line(game: &mut Game, last: usize) {
    let n = game.nodes.len();
    let mut depth = vec![1usize; n];
    let mut children: Vec<Vec<usize>> = vec![Vec::new(); n];
    for i in (1..n).rev() {
        if let Some(p) = game.nodes[i].parent {
            depth[p] = depth[p].max(depth[i] + 1);
            children[p].push(i);
        }
    }
    let mut holds = vec![false; n];
    let mut at = Some(last);
    while let Some(i) = at {
        holds[i] = true;
        at = game.nodes[i].parent;
    }
    let mut at = 0;
    while let Some(&best) = children[at]
        .iter()
        .max_by_key(|&&c| (depth[c] + if holds[c] { 3 } else { 0 }, c))
    {
        game.nodes[best].mainline = true;
        at = best;
    }
}

fn flags(
    outcome: &Outcome,
    decoder: &Decoder,
    transcript: &Transcript,
    place: &HashMap<NodeId, (usize, usize)>,
) -> Vec<Flag> {
    let speech = decoder.speech;
    let forest = &decoder.forest;
    let mut out = Vec::new();
    let candidate = |node: NodeId, index: u16, confidence: f64| Candidate {
        uci: forest.uci(forest.moves(node)[usize::from(index)].play),
        san: forest.san(node, index),
        confidence,
    };
    let mut cursor = outcome.best.nodes()[0];
    for step in &outcome.path {
        let event = &speech.events[step.event as usize];
        let Some(words) = passage(
            transcript,
            &speech.tokens,
            event.phrase,
            event.phrase_end.max(event.end),
        ) else {
            continue;
        };
        match step.action {
            Action::Play { from, found, .. }
                if event.kind == Kind::Square && found.fill.is_none() =>
            {
                let (game, node) = place[&from];
                let m = &forest.moves(from)[usize::from(found.index)];
                let mover = event.slots.mover.filter(|x| x.1 <= 2).map(|x| x.0);
                if found.slip
                    || (found.cost >= 1.6 && event.squares[0].cost < 0.1)
                    || mover.is_some_and(|r| r != m.role && found.quality == 2)
                {
                    let name = forest.san(from, found.index);
                    out.push(Flag {
                        kind: FlagKind::Illegal,
                        start: words.start,
                        end: words.end,
                        message: format!("“{}” can't be played here; read as {name}", words.text),
                        text: words.text,
                        game,
                        node,
                        candidates: vec![candidate(from, found.index, 0.8)],
                        played: Some(forest.uci(m.play)),
                        settled: false,
                    });
                } else {
                    let hinted = event
                        .slots
                        .file
                        .is_some_and(|row| row.iter().any(|&c| c < 0.5))
                        || !event.slots.origins.is_empty()
                        || event.slots.rank.is_some();
                    let rivals: Vec<u16> = forest
                        .moves(from)
                        .iter()
                        .enumerate()
                        .filter(|(_, o)| {
                            o.to == m.to
                                && o.role == m.role
                                && o.from != m.from
                                && o.castle.is_none()
                        })
                        .map(|(i, _)| i as u16)
                        .collect();
                    if !rivals.is_empty() && !hinted && m.role != shakmaty::Role::Pawn {
                        let share = 0.4 / rivals.len() as f64;
                        let mut candidates = vec![candidate(from, found.index, 0.6)];
                        candidates.extend(rivals.iter().map(|&i| candidate(from, i, share)));
                        let names: Vec<&str> = candidates.iter().map(|c| c.san.as_str()).collect();
                        out.push(Flag {
                            kind: FlagKind::Ambiguous,
                            start: words.start,
                            end: words.end,
                            message: format!("“{}” may be {}", words.text, names.join(" or ")),
                            text: words.text,
                            game,
                            node,
                            candidates,
                            played: Some(forest.uci(m.play)),
                            settled: false,
                        });
                    }
                }
                cursor = step.cursor;
            }
            Action::Play { .. } => cursor = step.cursor,
            Action::Pass => {
                let plain = event.kind == Kind::Square
                    && event.squares[0].cost < 0.1
                    && event.slots.mover.is_some_and(|x| x.1 <= 2);
                if plain && decoder.words_score(step.event as usize) > 2.5 {
                    let to = event.squares[0].white;
                    let role = event.slots.mover.map(|x| x.0);
                    let playable = forest
                        .moves(cursor)
                        .iter()
                        .any(|m| m.to == to && Some(m.role) == role);
                    let stands = forest
                        .piece_at(cursor, to)
                        .is_some_and(|p| Some(p.role) == role);
                    if !playable && !stands {
                        let (game, node) = place[&cursor];
                        out.push(Flag {
                            kind: FlagKind::Illegal,
                            start: words.start,
                            end: words.end,
                            message: format!(
                                "“{}” can't be played here, and no move near it is clear",
                                words.text
                            ),
                            text: words.text,
                            game,
                            node,
                            candidates: Vec::new(),
                            played: None,
                            settled: false,
                        });
                    }
                }
            }
        }
    }
    out
}
