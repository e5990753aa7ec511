//! Words around an event as sparse features: do they sound like a move that is played?

use crate::grammar::{ClassSet, Grammar};
use crate::speech::{Kind, Speech, Stop, Token};

/// Classes that stand for a word where its own form is too rare, the telling ones first; and whether the class is one of
/// stance, which tells whether a move is made or only spoken of.
const SYMBOLS: [(&str, bool); 36] = [
    ("correction", true),
    ("threat", true),
    ("plan", true),
    ("instead", true),
    ("negation", true),
    ("condition", true),
    ("modal", true),
    ("castle", false),
    ("recapture", false),
    ("capture", false),
    ("trade", false),
    ("promote", false),
    ("back", true),
    ("new_board", true),
    ("retreat", false),
    ("push", false),
    ("move", false),
    ("look", true),
    ("question", true),
    ("past", true),
    ("after", true),
    ("but", true),
    ("alternative", true),
    ("i_we", false),
    ("you", false),
    ("he", false),
    ("white", false),
    ("black", false),
    ("standing", false),
    ("to", false),
    ("with", false),
    ("again", false),
    ("and", false),
    ("so", false),
    ("article", false),
    ("main", false),
];

/// Names of what [`WordClasses::link`] tells.
const LINKS: [&str; LINK_KINDS] = [
    "none", "inside", "next", "near", "far", "and", "or", "then", "but", "stop",
];

/// How many kinds of links there are.
pub const LINK_KINDS: usize = 10;

/// The word classes that the features ask for, looked up once.
#[derive(Debug)]
pub struct WordClasses<'g> {
    grammar: &'g Grammar,
    capture: ClassSet,
    symbols: Vec<(ClassSet, &'static str)>,
    stances: Vec<(ClassSet, &'static str)>,
    links: [(ClassSet, usize); 4],
}

impl<'g> WordClasses<'g> {
    /// The classes of a grammar.
    pub fn new(grammar: &'g Grammar) -> WordClasses<'g> {
        let look_up = |stances_only: bool| {
            SYMBOLS
                .iter()
                .filter(|s| s.1 || !stances_only)
                .map(|s| (grammar.class(s.0), s.0))
                .collect()
        };
        let links = [
            ("link_and", 5),
            ("link_or", 6),
            ("link_then", 7),
            ("but", 8),
        ];
        WordClasses {
            grammar,
            capture: grammar.class("capture"),
            symbols: look_up(false),
            stances: look_up(true),
            links: links.map(|(name, kind)| (grammar.class(name), kind)),
        }
    }

    /// What joins an event to the one before: nothing, a few words, a word that adds or opposes, the end of a sentence.
    pub fn link(&self, speech: &Speech, k: usize) -> usize {
        let e = &speech.events[k];
        let Some(previous) = k.checked_sub(1).map(|j| &speech.events[j]) else {
            return 0;
        };
        if previous.end > e.phrase {
            return 1;
        }
        let between = &speech.tokens[previous.end..=e.phrase];
        if between.iter().any(|t| t.stop == Stop::Full) {
            return 9;
        }
        let mut link = match e.phrase - previous.end {
            0 => 2,
            1..=2 => 3,
            _ => 4,
        };
        for token in &between[..between.len() - 1] {
            for (class, kind) in self.links {
                if token.classes & class != 0 {
                    link = kind;
                }
            }
        }
        link
    }

    /// Names of the word features of one event.
    pub fn features(&self, speech: &Speech, k: usize, out: &mut Vec<String>) {
        out.clear();
        let e = &speech.events[k];
        let tokens = &speech.tokens;
        let kind = e.kind.name();
        let (grammar, capture) = (self.grammar, self.capture);
        let in_square = |j: usize| {
            speech.events[..k]
                .iter()
                .rev()
                .take(3)
                .chain(speech.events[k + 1..].iter().take(3))
                .any(|o| {
                    o.kind == Kind::Square && o.first <= j && j < o.end && o.squares[0].cost < 0.7
                })
        };
        let word = |t: &Token| -> String {
            if t.notation.is_some() {
                "<move>".into()
            } else if let Some(role) = t
                .piece
                .filter(|_| !t.text.starts_with("she") && t.text != "her")
            {
                format!("<{}>", role.char())
            } else if t.classes & capture != 0 {
                "<x>".into()
            } else {
                t.text.clone()
            }
        };
        let at = |j: Option<usize>| -> String {
            match j {
                Some(j) if j < tokens.len() => {
                    if in_square(j) {
                        "<sq>".into()
                    } else {
                        word(&tokens[j])
                    }
                }
                _ => "<end>".into(),
            }
        };
        let before = |from: usize, n: usize| -> String {
            // A full stop in between hides what stands before it.
            match from.checked_sub(n) {
                Some(j)
                    if tokens[j + 1..=from.min(tokens.len() - 1)]
                        .iter()
                        .any(|t| t.stop == Stop::Full) =>
                {
                    "<stop>".into()
                }
                Some(j) => at(Some(j)),
                None => "<end>".into(),
            }
        };
        let behind = |from: usize, n: usize| -> String {
            let j = from + n;
            if j < tokens.len() && tokens[from..=j].iter().any(|t| t.stop == Stop::Full) {
                "<stop>".into()
            } else {
                at(Some(j))
            }
        };
        let mut push = |name: String| out.push(format!("{kind}|{name}"));
        push("bias".into());
        let (l1, l2, l3) = (
            before(e.phrase, 1),
            before(e.phrase, 2),
            before(e.phrase, 3),
        );
        let (r1, r2, r3) = (behind(e.end, 0), behind(e.end, 1), behind(e.end, 2));
        push(format!("l1={l1}"));
        push(format!("l2={l2}"));
        push(format!("l3={l3}"));
        push(format!("l21={l2} {l1}"));
        push(format!("l321={l3} {l2} {l1}"));
        push(format!("r1={r1}"));
        push(format!("r2={r2}"));
        push(format!("r12={r1} {r2}"));
        push(format!("r123={r1} {r2} {r3}"));
        push(format!("l1r1={l1} {r1}"));
        let inside = e.first - e.phrase;
        if inside > 0 {
            push(format!("p1={}", before(e.first, 1)));
            if inside > 1 {
                push(format!("p21={} {}", before(e.first, 2), before(e.first, 1)));
            }
            push(format!("p1l1={} {l1}", before(e.first, 1)));
        } else {
            push("alone".into());
        }
        push(format!("inside={}", inside.min(4)));
        // The same with classes in place of words.
        let symbol = |j: usize| -> &str {
            let t = &tokens[j];
            if t.notation.is_some() || in_square(j) {
                return "#";
            }
            if t.piece.is_some() && !t.text.starts_with("she") && t.text != "her" {
                return "<p>";
            }
            match self.symbols.iter().find(|(bits, _)| t.classes & bits != 0) {
                Some((_, name)) => name,
                None if t.text.ends_with("ing") => "-ing",
                None if t.text.len() > 3 && t.text.ends_with('s') && !t.text.ends_with("ss") => {
                    "-s"
                }
                None if t.text.ends_with("ed") => "-ed",
                None => "_",
            }
        };
        let sentence = (e.phrase.saturating_sub(24)..=e.phrase)
            .rev()
            .find(|&j| tokens[j].stop == Stop::Full)
            .unwrap_or(e.phrase.saturating_sub(24));
        let left = |n: usize| match e.phrase.checked_sub(n) {
            Some(j) if j >= sentence => symbol(j),
            _ => ".",
        };
        let right = |n: usize| {
            let j = e.end + n;
            if j < tokens.len() && tokens[e.end..=j].iter().all(|t| t.stop < Stop::Full) {
                symbol(j)
            } else {
                "."
            }
        };
        push(format!("cl2={} {}", left(2), left(1)));
        push(format!("cl3={} {} {}", left(3), left(2), left(1)));
        push(format!(
            "cl4={} {} {} {}",
            left(4),
            left(3),
            left(2),
            left(1)
        ));
        push(format!("cr2={} {}", right(0), right(1)));
        push(format!("cr3={} {} {}", right(0), right(1), right(2)));
        push(format!("cx={} {} {}", left(2), left(1), right(0)));
        push(format!("cy={} {} {}", left(1), right(0), right(1)));
        // The words that are no mere filling, in order.
        let skeleton: Vec<&str> = (sentence..e.phrase)
            .rev()
            .map(symbol)
            .filter(|&s| s != "_" && s != "article")
            .take(4)
            .collect();
        if let [a, b, ..] = skeleton[..] {
            push(format!("sk2={b} {a}"));
        }
        if let [a, b, c, ..] = skeleton[..] {
            push(format!("sk3={c} {b} {a}"));
        }
        if inside > 0 {
            let within: Vec<&str> = (e.phrase..e.first)
                .map(symbol)
                .filter(|&s| s != "_")
                .take(5)
                .collect();
            push(format!("in={}", within.join(" ")));
            push(format!("in1={} {}", left(1), within.join(" ")));
        }
        // The clause from the piece to its square.
        if let Some(at) = e.slots.mover_at.filter(|&at| at < e.first) {
            let verbs: Vec<&str> = (at + 1..e.first)
                .map(symbol)
                .filter(|&s| !matches!(s, "_" | "article" | "to" | "standing" | "with" | "."))
                .take(3)
                .collect();
            let verbs = verbs.join(" ");
            let last = if at + 1 < e.first {
                symbol(e.first - 1)
            } else {
                ""
            };
            let owner = if at > 0 && tokens[at].stop < Stop::Full {
                symbol(at - 1)
            } else {
                "."
            };
            push(format!("mv={verbs} {last}"));
            push(format!("mo={owner} {verbs}"));
            push(format!("ml={owner} {last}"));
            if at + 1 < e.first {
                push(format!("mw={}", tokens[at + 1].text));
            }
            push(format!("md={}", (e.first - at).min(9)));
        }
        // The nearest word of stance, and how many other moves were named since.
        let stance = (sentence..e.phrase).rev().find_map(|j| {
            let stances = self.stances.iter();
            let mut there = stances.filter(|(bits, _)| tokens[j].classes & bits != 0);
            there.next().map(|&(_, name)| (j, name))
        });
        let link = LINKS[self.link(speech, k)];
        match stance {
            Some((j, name)) => {
                let between = speech.events[..k]
                    .iter()
                    .rev()
                    .take_while(|o| o.first > j)
                    .count()
                    .min(3);
                push(format!("st={name} {between}"));
                push(format!(
                    "st={name} {}",
                    super::features::near_bucket(e.phrase - j)
                ));
                push(format!("st={name} {link}"));
                push(format!("st={name} {}", right(0)));
            }
            None => {
                push(format!("st=none {link}"));
                push(format!("st=none {}", right(0)));
            }
        }
        // Words further off, in the same sentence.
        let mut far = Vec::new();
        for n in 3..=9 {
            let w = before(e.phrase, n);
            if w == "<stop>" || w == "<end>" {
                break;
            }
            far.push(w);
        }
        far.sort();
        far.dedup();
        for w in &far {
            push(format!("far={w}"));
        }
        for n in 2..=5 {
            let w = behind(e.end, n);
            if w == "<stop>" || w == "<end>" {
                break;
            }
            push(format!("on={w}"));
        }
        for (bit, class) in grammar.class_names().enumerate() {
            if e.slots.left & (1 << bit) != 0 {
                push(format!("left:{class}"));
            }
            if e.slots.right & (1 << bit) != 0 {
                push(format!("right:{class}"));
            }
        }
        let stop = |s: Stop| s as usize;
        push(format!(
            "stops={}{}",
            stop(tokens[e.phrase].stop),
            tokens.get(e.end).map_or(2, |t| stop(t.stop))
        ));
        let heard: Vec<&str> = tokens[e.first..e.end]
            .iter()
            .map(|t| t.text.as_str())
            .collect();
        let fuzzy = e.squares.first().is_some_and(|r| r.cost > 0.0) || e.kind != Kind::Square;
        if fuzzy {
            push(format!("raw={}", heard.join(" ")));
            if heard.len() == 2 {
                push(format!("rawa={}", heard[0]));
                push(format!("rawb={}", heard[1]));
            }
        }
        let slots = format!(
            "{}{}{}{}",
            e.slots
                .mover
                .map_or('-', |(r, d)| if d <= 3 { r.char() } else { '~' }),
            if e.slots.capture { 'x' } else { '-' },
            if e.slots.check {
                '+'
            } else if e.slots.mate {
                '#'
            } else {
                '-'
            },
            if e.slots.typed { 't' } else { '-' }
        );
        push(format!("slots={slots}"));
        push(format!(
            "slots.stops={slots}{}{}",
            stop(tokens[e.phrase].stop),
            tokens.get(e.end).map_or(2, |t| stop(t.stop))
        ));
        if let Some(previous) = k.checked_sub(1).map(|j| &speech.events[j]) {
            push(format!(
                "prev={} {}",
                previous.kind.name(),
                super::features::near_bucket(e.phrase.saturating_sub(previous.end))
            ));
        } else {
            push("prev=none".into());
        }
        if let Some(next) = speech.events.get(k + 1) {
            let distance = next.first.saturating_sub(e.end);
            push(format!(
                "next={} {}",
                next.kind.name(),
                super::features::near_bucket(distance)
            ));
            let full = tokens[e.end.min(tokens.len() - 1)..=next.first.min(tokens.len() - 1)]
                .iter()
                .any(|t| t.stop == Stop::Full);
            push(format!(
                "next={} {} {}",
                next.kind.name(),
                distance.min(4),
                u8::from(full)
            ));
            if e.kind == Kind::Square
                && next.kind == Kind::Square
                && next.squares.first().map(|r| r.white) == e.squares.first().map(|r| r.white)
                && distance < 12
            {
                push("said.again".into());
            }
        }
        if let (Kind::Square, Some(r)) = (e.kind, e.squares.first()) {
            let again = speech.events[..k].iter().rev().take(4).any(|o| {
                o.kind == Kind::Square
                    && o.squares.first().map(|x| x.white) == Some(r.white)
                    && e.first - o.end < 25
            });
            push(format!("said.before={}", u8::from(again)));
            push(format!("sound={}", (r.cost * 3.0).round().min(8.0)));
        }
        // The sentence: a question? its first word?
        let start = (0..=e.phrase)
            .rev()
            .find(|&j| tokens[j].stop == Stop::Full)
            .unwrap_or(0);
        if e.phrase - start < 30 {
            push(format!("first={}", word(&tokens[start])));
            push(format!(
                "depth={}",
                super::features::gap_bucket(e.phrase - start)
            ));
        }
        if let Some(steps) = e.slots.steps {
            push(format!("steps={steps}"));
        }
        let question = tokens[e.end - 1..tokens.len().min(e.end + 12)]
            .iter()
            .take_while(|t| t.stop != Stop::Full || std::ptr::eq(*t, &tokens[e.end - 1]))
            .any(|t| t.question);
        if question {
            push("question".into());
        }
        if e.first < 80 {
            push(format!("early={}", e.first / 27));
        }
        let dense = speech.events[k.saturating_sub(4)..(k + 5).min(speech.events.len())]
            .iter()
            .filter(|o| o.kind == Kind::Square && o.first.abs_diff(e.first) < 14)
            .count();
        push(format!("crowd={}", dense.min(6)));
    }
}
