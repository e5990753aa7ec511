//! Writes odd studies as PGN and JSON for `tests/outside/check_pgn.py`, which reads them with another program's library
//! (PyPI `chess`) and against the JSON Schema. Here they are read with `pgn-reader` and back from JSON.

mod pgn_support;

use std::path::Path;

use pgn_support::{Board, STANDARD, assert_lines, assert_same_trees, read, study};
use plyscribe::export::pgn::Times;
use plyscribe::export::{file, json, pgn};
use plyscribe::study::{Candidate, Flag, FlagKind, Span, Study};
use shakmaty::Position;
use shakmaty::uci::UciMove;

/// Writes a study's files below `target/tmp/outside`, one folder for each way to give times, after reading them here.
fn publish(name: &str, study: &Study) {
    for (folder, times) in [
        ("commands", Times::Commands),
        ("plain", Times::Plain),
        ("none", Times::None),
    ] {
        let text = pgn::to_string(study, times).unwrap();
        assert_lines(&text);
        assert_same_trees(&text, study);
        let json = json::to_string(study).unwrap();
        assert_eq!(
            json::to_string(&json::from_str(&json).unwrap()).unwrap(),
            json
        );
        let folder = Path::new(env!("CARGO_TARGET_TMPDIR"))
            .join("outside")
            .join(folder);
        std::fs::create_dir_all(&folder).unwrap();
        file::write(&folder.join(format!("{name}.pgn")), &text).unwrap();
        file::write(&folder.join(format!("{name}.study.json")), &json).unwrap();
    }
}

#[test]
fn an_odd_study() {
    let mut first = Board::new(STANDARD);
    first.comment(0, 0.0, "Hello { and } welcome; it's 50 % talk \u{2028}and\r\n50\t%, [% as they say [%said 1:00:00.0]");
    let e4 = first.line(0, "e4");
    first.mention(e4, 12.345, "e4");
    first.comment(
        e4,
        13.0,
        "“Bauer nach e4” – ♔♞, naïve, Größe, ещё, 将棋, e\u{301}, 👩🏽‍🏫 \"quoted\" \\ (paren",
    );
    first.comment(e4, 20.0, "   ");
    first.comment(
        e4,
        21.0,
        &format!("{} {}", "y".repeat(200), "%".repeat(200)),
    );
    let e5 = first.line(e4, "e5");
    first.nags(e5, &[1, 10, 255, 0]);
    let main = first.line(e5, "Nf3 Nc6 Bb5 a6 Ba4 Nf6 O-O Nxe4 d4 b5 Bb3 d5 dxe5 Be6");
    first.mention(main, 59.96, "bishop e6");
    first.main_line_to(main);
    // Told before the main move of its node, and nested six deep.
    let mut node = first.line(e4, "c5");
    for (depth, (other, next)) in [
        ("Nf3", "Nc3"),
        ("Nc6", "d6"),
        ("Bb5", "d4"),
        ("e6", "g6"),
        ("O-O", "Nc3"),
        ("Nge7", "Qb6"),
    ]
    .iter()
    .enumerate()
    {
        let side = first.line(node, next);
        first.comment(
            side,
            100.0 + depth as f64,
            "%a sideline ) of ( a sideline }",
        );
        if depth < 2 {
            first.nags(side, &[6]);
        }
        node = first.line(node, other);
        first.mention(node, 120.0 + depth as f64, other);
    }
    first.line(0, "d4 d5 c4");
    first.line(0, "c4");
    // Two children of one node, none of them on the main line.
    first.line(main, "Nbd2 Nc5");
    first.line(main, "c3 Be7");

    let black_begins = "rnbqkbnr/1p1ppppp/8/2p5/pPP1P3/3P4/P4PPP/RNBQKBNR b KQkq b3 0 41";
    let mut second = Board::new(black_begins);
    second.comment(0, 3_700.0, "Another board.");
    let node = second.line(0, "axb3");
    second.mention(node, 3_723.04, "takes in passing");
    let node = second.line(node, "Bb2 bxa2 Nf3");
    let knight = second.play(node, "a2b1n");
    second.nags(knight, &[2]);
    let queen = second.play(node, "a2b1q");
    second.mention(queen, 36_000.0, "queens");
    second.comment(queen, 36_001.5, "{}{}{}");
    let node = second.line(queen, "Rxb1 Ra1");
    assert_eq!(second.game.nodes[node].san.as_deref(), Some("Ra1"));
    second.main_line_to(queen);

    let empty = Board::new("8/8/8/4k3/8/8/4P3/4K3 w - - 99 200");
    let title = "Odd \"things\" \\ with {braces},\nlines \u{0}and 将棋";
    let mut study = study(title, vec![first, second, empty]);
    study.timeline.push(Span {
        start: 0.0,
        end: 12.344_999,
        game: 0,
        node: 0,
    });
    study.timeline.push(Span {
        start: 12.345,
        end: 36_002.0,
        game: 1,
        node: 2,
    });
    study.flags.push(Flag {
        kind: FlagKind::Illegal,
        start: 12.0,
        end: 13.333_333,
        text: "knight d9".into(),
        game: 0,
        node: e4,
        candidates: vec![Candidate {
            uci: "g8f6".into(),
            san: "Nf6".into(),
            confidence: 1.0 / 3.0,
        }],
        played: None,
        settled: false,
        message: "There is no square d9.".into(),
    });
    publish("odd", &study);

    let text = pgn::to_string(&study, Times::Commands).unwrap();
    let games = read(&text);
    assert_eq!(
        games[0].tag("Event"),
        Some("Odd \"things\" \\ with {braces}, lines and 将棋")
    );
    assert_eq!(
        games[0].nodes[0].comments,
        [
            "[%said 0:00:00.0] Hello ( and ) welcome; it's 50 % talk and 50 %, (% as they say (%said 1:00:00.0]"
        ]
    );
    assert!(
        text.contains("41... axb3 {[%said 1:02:03.0]} 42. Bb2"),
        "{text}"
    );
    assert!(text.contains("{[%said 10:00:00.0] ()()()}"), "{text}");
    assert!(text.contains(
        "[FEN \"8/8/8/4k3/8/8/4P3/4K3 w - - 99 200\"]\n[PlyCount \"0\"]\n[SetUp \"1\"]\n\n*\n"
    ));
}

/// Trees of legal moves drawn by lot (a linear congruential generator with a fixed seed), with words that try to break
/// the text.
#[test]
fn studies_by_lot() {
    let mut state: u64 = 20_240_229;
    let mut draw = |below: usize| {
        // Constants of Knuth's MMIX generator, from memory; any full-period pair does.
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) as usize % below
    };
    let words = [
        "e4", "{", "}", "%", "%said", "[%said", "[Event", ";", "(", ")", "$1", "*", "1-0", "1.",
        "\"", "\\", "–", "Ñ", "…", "knight", "because", "und", "👍🏽", "a\u{308}", "\u{a0}", "\n",
        "\u{85}", "]", "--", "<b>", "&amp;", "}{",
    ];
    let starts = [
        STANDARD,
        "r3k2r/p1ppqpb1/bn2pnp1/3PN3/1p2P3/2N2Q1p/PPPBBPPP/R3K2R w KQkq - 0 1",
        "n1n5/PPPk4/8/8/8/8/4Kppp/5N1N b - - 0 1",
    ];
    for round in 0..12 {
        let mut boards = vec![];
        for start in starts.iter().take(1 + round % starts.len()) {
            let mut board = Board::new(start);
            for _ in 0..150 {
                // Mostly on from the newest node.
                let nodes = board.game.nodes.len();
                let parent = if draw(4) > 0 { nodes - 1 } else { draw(nodes) };
                let moves = board.position(parent).legal_moves();
                if moves.is_empty() {
                    continue;
                }
                let uci = UciMove::from_standard(moves[draw(moves.len())]).to_string();
                if board
                    .game
                    .nodes
                    .iter()
                    .any(|n| n.parent == Some(parent) && n.uci.as_deref() == Some(&uci))
                {
                    continue;
                }
                let node = board.play(parent, &uci);
                let time = draw(40_000_000) as f64 / 1000.0;
                if draw(3) == 0 {
                    board.mention(node, time, &uci);
                }
                for _ in 0..draw(3) {
                    let mut text = String::new();
                    for _ in 0..draw(40) {
                        text.push_str(words[draw(words.len())]);
                        text.push_str(if draw(8) == 0 { "" } else { " " });
                    }
                    board.comment(node, time, &text);
                }
                if draw(5) == 0 {
                    board.nags(node, &[u8::try_from(draw(256)).unwrap()]);
                }
            }
            let last = draw(board.game.nodes.len());
            board.main_line_to(last);
            boards.push(board);
        }
        publish(
            &format!("lot-{round:02}"),
            &study(&format!("Lot {round}"), boards),
        );
    }
}
