//! Scores a study against a key.

use std::collections::{BTreeMap, HashMap, HashSet};

use serde::Deserialize;
use shakmaty::fen::{Epd, Fen};
use shakmaty::uci::UciMove;
use shakmaty::{CastlingMode, Chess, EnPassantMode, Position};

use crate::study::{FlagKind, Study};

/// Counts of one lesson; figures add up over lessons.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Row {
    /// Name of the lesson.
    pub name: String,
    /// Moves of the key.
    pub need: usize,
    /// Of these, found.
    pub found: usize,
    /// Moves that are not in the key.
    pub extra: usize,
    /// Found within two seconds.
    pub timed: usize,
    /// Probes of the board.
    pub probes: usize,
    /// Probes answered right.
    pub hits: usize,
    /// Main lines right.
    pub main: usize,
    /// Boards.
    pub games: usize,
    /// Flags asked for.
    pub flags: usize,
    /// Flags given.
    pub flagged: usize,
    /// Flags matched.
    pub matched: usize,
    /// Matched ones with a known intention.
    pub fixable: usize,
    /// Of these, with the intended move.
    pub fixed: usize,
}

#[derive(Deserialize)]
struct Key {
    name: String,
    games: Vec<KeyGame>,
    flags: Vec<KeyFlag>,
    probes: Vec<Probe>,
}

#[derive(Deserialize)]
struct KeyGame {
    main: Vec<String>,
    moves: Vec<KeyMove>,
}

#[derive(Deserialize)]
struct KeyMove {
    uci: String,
    epd: String,
    t: Option<f64>,
    silent: bool,
}

#[derive(Deserialize)]
struct KeyFlag {
    kind: String,
    t: f64,
    end: f64,
    want: Option<String>,
    #[serde(default)]
    optional: bool,
}

#[derive(Deserialize)]
struct Probe {
    t: f64,
    epd: String,
}

fn epd(position: &Chess) -> String {
    Epd::from_position(position, EnPassantMode::Legal).to_string()
}

/// Scores a study against the text of a key (`NAME.gold.json`).
///
/// # Errors
/// A sentence that says what is wrong with the key or the study.
pub fn score_study(key: &str, study: &Study) -> Result<Row, String> {
    let key: Key = serde_json::from_str(key).map_err(|e| format!("the key can't be read: {e}"))?;
    let mut when: HashMap<(String, String), f64> = HashMap::new();
    let mut silent = HashSet::new();
    for m in key.games.iter().flat_map(|g| &g.moves) {
        let id = (m.epd.clone(), m.uci.clone());
        if m.silent {
            silent.insert(id);
        } else {
            let t = m.t.unwrap_or(0.0);
            when.entry(id).and_modify(|x| *x = x.min(t)).or_insert(t);
        }
    }
    let mut edges: HashMap<(String, String), Option<f64>> = HashMap::new();
    let mut epds: Vec<Vec<String>> = Vec::new();
    let mut mains = Vec::new();
    for game in &study.games {
        let fen: Fen = game
            .start
            .parse()
            .map_err(|e| format!("start {}: {e}", game.start))?;
        let start: Chess = fen
            .into_position(CastlingMode::Standard)
            .map_err(|e| format!("start {}: {e}", game.start))?;
        let mut positions = vec![start];
        let mut main = Vec::new();
        for node in game.nodes.iter().skip(1) {
            let parent = node.parent.ok_or("a node without a parent")?;
            let text = node.uci.clone().ok_or("a node without a move")?;
            let uci: UciMove = text.parse().map_err(|e| format!("{text}: {e}"))?;
            let before = positions
                .get(parent)
                .ok_or("a node before its parent")?
                .clone();
            let play = uci.to_move(&before).map_err(|e| format!("{text}: {e}"))?;
            let t = node.mentions.iter().map(|m| m.start).reduce(f64::min);
            let slot = edges.entry((epd(&before), text.clone())).or_insert(t);
            *slot = match (*slot, t) {
                (Some(a), Some(b)) => Some(a.min(b)),
                (a, b) => a.or(b),
            };
            positions.push(before.play(play).map_err(|e| format!("{text}: {e}"))?);
            if node.mainline {
                main.push(text);
            }
        }
        epds.push(positions.iter().map(epd).collect());
        mains.push(main);
    }
    let found: Vec<_> = when.keys().filter(|k| edges.contains_key(*k)).collect();
    let extra = edges
        .keys()
        .filter(|k| !when.contains_key(*k) && !silent.contains(*k))
        .count();
    let timed = found
        .iter()
        .filter(|k| edges[**k].is_some_and(|t| (t - when[**k]).abs() <= 2.0))
        .count();
    let hits = key
        .probes
        .iter()
        .filter(|p| {
            let span = study
                .timeline
                .iter()
                .take_while(|s| s.start <= p.t + 1e-6)
                .last();
            span.is_some_and(|s| epds.get(s.game).and_then(|g| g.get(s.node)) == Some(&p.epd))
        })
        .count();
    let given: Vec<_> = study
        .flags
        .iter()
        .filter(|f| matches!(f.kind, FlagKind::Illegal | FlagKind::Ambiguous))
        .collect();
    let near = |k: &KeyFlag, i: usize| {
        let f = given[i];
        let kind = if f.kind == FlagKind::Illegal {
            "illegal"
        } else {
            "ambiguous"
        };
        k.kind == kind && f.start <= k.end + 3.0 && f.end >= k.t - 3.0
    };
    let mut row = Row {
        name: key.name.clone(),
        need: when.len(),
        found: found.len(),
        extra,
        timed,
        probes: key.probes.len(),
        hits,
        main: if mains.len() == key.games.len() {
            mains
                .iter()
                .zip(&key.games)
                .filter(|(a, b)| **a == b.main)
                .count()
        } else {
            0
        },
        games: key.games.len(),
        ..Row::default()
    };
    let mut used = HashSet::new();
    for k in key.flags.iter().filter(|f| !f.optional) {
        row.flags += 1;
        if let Some(i) = (0..given.len()).find(|&i| !used.contains(&i) && near(k, i)) {
            used.insert(i);
            row.matched += 1;
            if let Some(want) = &k.want {
                row.fixable += 1;
                let named = given[i]
                    .played
                    .as_ref()
                    .or(given[i].candidates.first().map(|c| &c.uci));
                row.fixed += usize::from(named == Some(want));
            }
        }
    }
    row.flagged = (0..given.len())
        .filter(|i| used.contains(i) || !key.flags.iter().any(|k| k.optional && near(k, *i)))
        .count();
    Ok(row)
}

/// The row of a lesson without a study, against the text of its key: every move missed, every probe wrong.
///
/// # Errors
/// A sentence that says what is wrong with the key.
pub fn score_missing(key: &str) -> Result<Row, String> {
    let key: Key = serde_json::from_str(key).map_err(|e| format!("the key can't be read: {e}"))?;
    let said = key
        .games
        .iter()
        .flat_map(|g| &g.moves)
        .filter(|m| !m.silent);
    let need: HashSet<_> = said.map(|m| (&m.epd, &m.uci)).collect();
    Ok(Row {
        need: need.len(),
        probes: key.probes.len(),
        games: key.games.len(),
        flags: key.flags.iter().filter(|f| !f.optional).count(),
        name: key.name.clone(),
        ..Row::default()
    })
}

/// Shares of a group of lessons, from 0 to 1; `NaN` where there is nothing to share.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Figures {
    /// Precision of the moves.
    pub precision: f64,
    /// Recall of the moves.
    pub recall: f64,
    /// Their harmonic mean.
    pub f1: f64,
    /// Main lines right.
    pub main: f64,
    /// Moves found within two seconds.
    pub time: f64,
    /// Probes of the board right.
    pub board: f64,
    /// Flags given that were asked for.
    pub flag_precision: f64,
    /// Flags asked for that were given.
    pub flag_recall: f64,
    /// Of the flags given rightly whose intention is known, those that name it.
    pub fix: f64,
}

impl Figures {
    /// Adds rows up.
    pub fn of<'a>(rows: impl IntoIterator<Item = &'a Row>) -> Figures {
        let mut t = Row::default();
        for r in rows {
            t.need += r.need;
            t.found += r.found;
            t.extra += r.extra;
            t.timed += r.timed;
            t.probes += r.probes;
            t.hits += r.hits;
            t.main += r.main;
            t.games += r.games;
            t.flags += r.flags;
            t.flagged += r.flagged;
            t.matched += r.matched;
            t.fixable += r.fixable;
            t.fixed += r.fixed;
        }
        let ratio = |a: usize, b: usize| {
            if b == 0 {
                f64::NAN
            } else {
                a as f64 / b as f64
            }
        };
        let (p, r) = (ratio(t.found, t.found + t.extra), ratio(t.found, t.need));
        Figures {
            precision: p,
            recall: r,
            f1: if p + r == 0.0 {
                0.0
            } else {
                2.0 * p * r / (p + r)
            },
            main: ratio(t.main, t.games),
            time: ratio(t.timed, t.found),
            board: ratio(t.hits, t.probes),
            flag_precision: ratio(t.matched, t.flagged),
            flag_recall: ratio(t.matched, t.flags),
            fix: ratio(t.fixed, t.fixable),
        }
    }
}

impl std::fmt::Display for Figures {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let columns = [
            ("P", self.precision),
            ("R", self.recall),
            ("F1", self.f1),
            ("main", self.main),
            ("time", self.time),
            ("board", self.board),
            ("flagP", self.flag_precision),
            ("flagR", self.flag_recall),
            ("fix", self.fix),
        ];
        for (i, (name, value)) in columns.into_iter().enumerate() {
            let gap = if i == 0 { "" } else { "  " };
            if value.is_nan() {
                write!(f, "{gap}{name} nan")?;
            } else {
                write!(f, "{gap}{name} {value:.3}")?;
            }
        }
        Ok(())
    }
}

/// Group of a lesson: its name up to the first hyphen or underscore.
pub fn group_of(name: &str) -> &str {
    name.split(['-', '_']).next().unwrap_or(name)
}

/// A line for each lesson (if wanted), for each group (if there are several), for all, and the five lessons with the
/// lowest F1.
pub fn rows_to_text(rows: &[Row], each: bool) -> String {
    let mut out = String::new();
    let mut groups: BTreeMap<&str, Vec<&Row>> = BTreeMap::new();
    for row in rows {
        if each {
            out.push_str(&format!("{:32} {}\n", row.name, Figures::of([row])));
        }
        groups.entry(group_of(&row.name)).or_default().push(row);
    }
    if groups.len() > 1 {
        for (group, rows) in &groups {
            let figures = Figures::of(rows.iter().copied());
            let heading = format!("group {group}");
            out.push_str(&format!("{heading:32} lessons {}  {figures}\n", rows.len()));
        }
    }
    out.push_str(&format!(
        "ALL lessons {}  {}\n",
        rows.len(),
        Figures::of(rows)
    ));
    let mut worst: Vec<(f64, &str)> = rows
        .iter()
        .map(|r| (Figures::of([r]).f1, r.name.as_str()))
        .collect();
    // A lesson in which nothing was found has no precision, so no F1: the worst there is.
    worst.sort_by(|a, b| {
        (!a.0.is_nan(), a.0)
            .partial_cmp(&(!b.0.is_nan(), b.0))
            .unwrap_or(std::cmp::Ordering::Equal)
    });
    let worst: Vec<String> = worst
        .iter()
        .take(5)
        .map(|(f1, name)| format!("{name} {f1:.2}").replace("NaN", "nan"))
        .collect();
    out.push_str(&format!("worst {}\n", worst.join(", ")));
    out
}
