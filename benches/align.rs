//! How long it takes to read a transcript and to make its study.
//!
//! The lesson is made by rule: a known opening of 24 plies, told with talk between the moves, then variations of five
//! or six plies from it, each announced and returned from, until the words are spent. 3,000 words tell about 140 moves.
//!
//! `cargo bench --bench align`; `cargo bench --bench align -- --write FILE WORDS` writes such a lesson as WebVTT, for
//! `benches/instructions`.

use criterion::{BenchmarkId, Criterion, Throughput};
use plyscribe::lesson::{Layout, transcript_text};
use plyscribe::read::Reader;
use plyscribe::transcript::{Transcript, Word, read};
use shakmaty::san::San;
use shakmaty::{Chess, Move, Position};

const MAIN: &str =
    "d4 Nf6 c4 g6 Nc3 Bg7 e4 d6 Nf3 O-O Be2 e5 O-O Nc6 d5 Ne7 Ne1 Nd7 Be3 f5 f3 f4 Bf2 g5";
const TALK: [&str; 6] = [
    "This is what most people do here and there is little to be said against it.",
    "I always tell my pupils to think about the whole board before they touch anything at all.",
    "It looks quiet, but both players have to know what they are doing in such positions.",
    "You may stop the recording for a minute now and look for yourself.",
    "We had this very thing at the club some weeks ago and it went on for hours.",
    "That is the whole point, and it is easier to see than to explain.",
];

/// Always the same numbers.
struct Random(u64);

impl Random {
    fn below(&mut self, n: usize) -> usize {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        ((self.0 >> 33) % n as u64) as usize
    }
}

/// The move in words; castling and promotion as they are said.
fn words(position: &Chess, m: Move) -> String {
    let san = San::from_move(position, m).to_string();
    let mut out = String::new();
    match san.as_str() {
        "O-O" => return "castles kingside".to_owned(),
        "O-O-O" => return "castles queenside".to_owned(),
        _ => {}
    }
    for c in san.chars() {
        match c {
            'K' => out.push_str("king "),
            'Q' => out.push_str("queen "),
            'R' => out.push_str("rook "),
            'B' => out.push_str("bishop "),
            'N' => out.push_str("knight "),
            'x' => out.push_str(" takes "),
            '=' => out.push_str(" promotes to a "),
            c => out.push(c),
        }
    }
    out
}

/// The lesson told, of about so many words.
fn lesson(count: usize) -> Transcript {
    let mut random = Random(7);
    let mut text = String::new();
    let mut line = vec![(Chess::default(), None)];
    let say = |text: &mut String, sentence: &str| {
        text.push_str(sentence);
        text.push(' ');
    };
    for (i, san) in MAIN.split(' ').enumerate() {
        let position = line[line.len() - 1].0.clone();
        let san: San = san.parse().expect("a move");
        let m = san.to_move(&position).expect("a legal move");
        let side = ["White plays", "Black answers"][i % 2];
        say(&mut text, &format!("{side} {}.", words(&position, m)));
        say(&mut text, TALK[random.below(TALK.len())]);
        line.push((position.play(m).expect("a legal move"), Some(m)));
    }
    let mut spent = text.split_whitespace().count();
    while spent < count {
        let mut part = String::new();
        let at = 4 + random.below(line.len() - 5);
        let mut position = line[at].0.clone();
        let played = line[at + 1].1.expect("a move behind the start");
        let mut named = format!("Instead of {},", words(&position, played));
        for _ in 0..5 + random.below(2) {
            let legal = position.legal_moves();
            if legal.is_empty() {
                break;
            }
            let m = legal[random.below(legal.len())];
            let side = position.turn().fold_wb("white", "black");
            say(
                &mut part,
                &format!("{named} {side} plays {}.", words(&position, m)),
            );
            say(&mut part, TALK[random.below(TALK.len())]);
            "Then".clone_into(&mut named);
            position.play_unchecked(m);
        }
        say(&mut part, "Now back to the main line.");
        spent += part.split_whitespace().count();
        text.push_str(&part);
    }
    let words = text
        .split_whitespace()
        .take(count)
        .enumerate()
        .map(|(i, text)| Word {
            text: text.to_owned(),
            start: i as f64 * 0.4,
            end: i as f64 * 0.4 + 0.35,
            caption: 0,
            turn: false,
        });
    Transcript {
        words: words.collect(),
        language: Some("en".into()),
        ..Transcript::default()
    }
}

fn bench(c: &mut Criterion) {
    let reader = Reader::english();
    let mut group = c.benchmark_group("study");
    group.sample_size(10);
    // Ten times as many words again, or more, with --write and a stop-watch: they take too long to repeat here.
    for count in [300, 3_000] {
        let said = lesson(count);
        group.throughput(Throughput::Elements(count as u64));
        group.bench_with_input(BenchmarkId::from_parameter(count), &said, |b, said| {
            b.iter(|| reader.study(said, &[], "Lesson", "lesson.vtt"));
        });
    }
    group.finish();
    let mut group = c.benchmark_group("transcript");
    let said = lesson(30_000);
    for (name, layout) in [
        ("vtt", Layout::WebVtt),
        ("rolling", Layout::Rolling),
        ("srt", Layout::Srt),
        ("txt", Layout::Paragraphs),
        ("json", Layout::Segments),
    ] {
        let (suffix, text) = transcript_text(&said, layout);
        let file = format!("lesson.{suffix}");
        group.throughput(Throughput::Bytes(text.len() as u64));
        group.bench_function(name, |b| {
            b.iter(|| read(text.as_bytes(), &file).expect("our own transcript"))
        });
    }
    group.finish();
    c.bench_function("reader", |b| b.iter(Reader::english));
}

fn main() {
    let arguments: Vec<String> = std::env::args().collect();
    if let Some(i) = arguments.iter().position(|a| a == "--write") {
        let [file, count, ..] = &arguments[i + 1..] else {
            panic!("--write FILE WORDS")
        };
        let count = count.parse().expect("a number of words");
        std::fs::write(file, transcript_text(&lesson(count), Layout::WebVtt).1)
            .expect("a file to write");
        return;
    }
    let mut criterion = Criterion::default().configure_from_args();
    bench(&mut criterion);
    criterion.final_summary();
}
