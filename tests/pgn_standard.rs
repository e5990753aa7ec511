//! The PGN output against the PGN standard ("Standard: Portable Game Notation Specification and Implementation Guide",
//! 1994). Each test names the section. No copy of the standard was at hand: its rules and examples are quoted from
//! memory. Where an expected text is our own, made by the section's rule, the test says so.

mod pgn_support;

use pgn_support::{Board, STANDARD, assert_lines, movetext, read, study};
use plyscribe::export::pgn::{self, Times};

/// Section 2.3, the sample game: movetext, from memory with its line breaks. Section 8.2.1: less than 80 printing
/// characters a line, and as many tokens on a line as possible, so a move may be parted from its number.
/// (The sample ends with its result; a study's result is unknown.)
#[test]
fn section_2_3_sample_game_has_the_same_line_breaks() {
    let sample = "\
1. e4 e5 2. Nf3 Nc6 3. Bb5 a6 4. Ba4 Nf6 5. O-O Be7 6. Re1 b5 7. Bb3 d6 8. c3
O-O 9. h3 Nb8 10. d4 Nbd7 11. c4 c6 12. cxb5 axb5 13. Nc3 Bb7 14. Bg5 b4 15.
Nb1 h6 16. Bh4 c5 17. dxe5 Nxe4 18. Bxe7 Qxe7 19. exd6 Qf6 20. Nbd2 Nxd6 21.
Nc4 Nxc4 22. Bxc4 Nb6 23. Ne5 Rae8 24. Bxf7+ Rxf7 25. Nxf7 Rxe1+ 26. Qxe1 Kxf7
27. Qe3 Qg5 28. Qxg5 hxg5 29. b3 Ke6 30. a3 Kd6 31. axb4 cxb4 32. Ra5 Nd5 33.
f3 Bc8 34. Kf2 Bf5 35. Ra7 g6 36. Ra6+ Kc5 37. Ke1 Nf4 38. g3 Nxh3 39. Kd2 Kb5
40. Rd6 Kc5 41. Ra6 Nf2 42. g4 Bd3 43. Re6 *";
    let sans: Vec<&str> = sample
        .split_whitespace()
        .filter(|token| !token.ends_with('.') && *token != "*")
        .collect();
    assert_eq!(sans.len(), 85);
    let mut board = Board::new(STANDARD);
    let last = board.line(0, &sans.join(" "));
    board.main_line_to(last);
    assert_eq!(movetext(board, Times::Commands), sample);
}

/// Section 4.3: lines of 80 or more printing characters are discouraged in export format; none may exceed 255
/// characters, line break included. Only a tag pair can be longer than 79, as it may not be broken (section 8.1.1).
#[test]
fn section_4_3_lines_are_short() {
    let mut board = Board::new(STANDARD);
    let node = board.line(0, "e4 e5 Nf3 Nc6 Bb5");
    board.main_line_to(node);
    board.comment(
        node,
        1.0,
        &"a bishop on b5 looks at the knight, ".repeat(40),
    );
    board.comment(
        node,
        9.0,
        &format!("see https://example.org/{}", "lesson-".repeat(60)),
    );
    let study = study(
        &"A title that does not know when it ought to end ".repeat(20),
        vec![board],
    );
    for times in [Times::Commands, Times::Plain, Times::None] {
        let text = pgn::to_string(&study, times).unwrap();
        assert_lines(&text);
        assert!(
            text.lines().any(|line| line.chars().count() == 79),
            "some line should be full"
        );
    }
}

/// Section 5: a brace comment runs to the first right brace; comments do not nest.
#[test]
fn section_5_braces_do_not_nest() {
    let mut board = Board::new(STANDARD);
    let node = board.line(0, "e4");
    board.comment(
        node,
        1.0,
        "the set {e4, d4} is {called} \"the centre\"; } and { too",
    );
    board.line(node, "c5");
    let text = movetext(board, Times::None);
    assert_eq!(
        text,
        "1. e4 {the set (e4, d4) is (called) \"the centre\"; ) and ( too} 1... c5 *"
    );
}

/// Section 5: the other kind of comment runs from a semicolon to the end of the line; inside braces it has no such
/// meaning. We write none of that kind, and a semicolon in speech ends nothing.
#[test]
fn section_5_a_semicolon_inside_braces_is_text() {
    let mut board = Board::new(STANDARD);
    let node = board.line(0, "d4");
    board.comment(node, 1.0, "first this; then that");
    board.line(node, "d5");
    let text = pgn::to_string(&study("Test", vec![board]), Times::None).unwrap();
    let game = &read(&text)[0];
    assert_eq!(game.nodes[1].comments, ["first this; then that"]);
    assert_eq!(game.nodes[2].san, "d5");
}

/// Section 6: a line with a percent sign in its first column is passed over by readers, whatever it belongs to.
#[test]
fn section_6_no_line_is_escaped() {
    for before in 1..120 {
        let mut board = Board::new(STANDARD);
        let node = board.line(0, "e4");
        board.comment(
            node,
            1.0,
            &format!(
                "{} %escaped 50 % %{}",
                "x ".repeat(before),
                "%".repeat(before)
            ),
        );
        let text = pgn::to_string(&study("%", vec![board]), Times::None).unwrap();
        assert_lines(&text);
        let comment = read(&text)[0].nodes[1].comments.concat();
        assert_eq!(comment.matches("escaped").count(), 1, "{text}");
        assert_eq!(comment.matches(['%', '％']).count(), before + 3, "{text}");
    }
}

/// Section 7: in a string, a quote is written `\"` and a backslash `\\`; tabs and newlines can't stand in one.
#[test]
fn section_7_strings_are_escaped() {
    let title = "Say \"check\\mate\"\r\n\tto\u{7}me";
    let text = pgn::to_string(&study(title, vec![Board::new(STANDARD)]), Times::None).unwrap();
    assert_eq!(
        text.lines().next(),
        Some(r#"[Event "Say \"check\\mate\" to me"]"#)
    );
    assert_eq!(
        read(&text)[0].tag("Event"),
        Some("Say \"check\\mate\" to me")
    );
}

/// Section 8.1.1: each tag pair on a line of its own, from the first column, one space between name and value, no space
/// inside the brackets; an empty line after the last. Section 8.1.1.1 to 8.1.1.7: the seven tag roster in its order,
/// with `?`, `????.??.??` and `*` for what is unknown. Section 8.1: the others follow in ASCII order.
#[test]
fn section_8_1_tags() {
    let black_to_move = "4k3/P7/8/8/8/8/8/4K3 b - - 3 41";
    let mut set_up = Board::new(black_to_move);
    let node = set_up.line(0, "Kd7 a8=Q");
    set_up.main_line_to(node);
    let text = pgn::to_string(
        &study(" \t ", vec![Board::new(STANDARD), set_up]),
        Times::None,
    )
    .unwrap();
    assert_eq!(
        text,
        r#"[Event "?"]
[Site "?"]
[Date "????.??.??"]
[Round "?"]
[White "?"]
[Black "?"]
[Result "*"]
[Annotator "plyscribe"]
[PlyCount "0"]

*

[Event "?"]
[Site "?"]
[Date "????.??.??"]
[Round "?"]
[White "?"]
[Black "?"]
[Result "*"]
[Annotator "plyscribe"]
[FEN "4k3/P7/8/8/8/8/8/4K3 b - - 3 41"]
[PlyCount "2"]
[SetUp "1"]

41... Kd7 42. a8=Q *

"#
    );
}

/// Section 9.7: `SetUp` is "1" and `FEN` gives the position for a game that starts from another than the standard one,
/// which differing counters alone make it. The FEN's fields (section 16.1.3) are kept as they are.
#[test]
fn section_9_7_a_start_of_ones_own() {
    let after_e4 = "rnbqkbnr/pppppppp/8/8/4P3/8/PPPP1PPP/RNBQKBNR b KQkq e3 0 1";
    let late = "rnbqkbnr/pppppppp/8/8/8/8/PPPPPPPP/RNBQKBNR w KQkq - 0 9";
    let text = pgn::to_string(
        &study("Starts", vec![Board::new(after_e4), Board::new(late)]),
        Times::None,
    )
    .unwrap();
    let games = read(&text);
    for (game, fen) in games.iter().zip([after_e4, late]) {
        assert_eq!((game.tag("SetUp"), game.tag("FEN")), (Some("1"), Some(fen)));
    }
}

/// Section 9.9: `PlyCount` counts the plies of the game, so of the main line.
#[test]
fn section_9_9_ply_count_is_of_the_main_line() {
    let mut board = Board::new(STANDARD);
    board.line(0, "d4 d5 c4 e6 Nc3");
    let main = board.line(0, "e4 e5 Nf3");
    board.main_line_to(main);
    let text = pgn::to_string(&study("Test", vec![board]), Times::None).unwrap();
    assert_eq!(read(&text)[0].tag("PlyCount"), Some("3"));
}

/// Section 8.2.2.2: every white move has a number with one period. A black one has a number with three periods only if
/// annotation or commentary stands between it and the white move before it, or if there is no white move before it
/// because Black begins. (Expected texts by the rule.)
#[test]
fn section_8_2_2_2_move_numbers() {
    let mut plain = Board::new(STANDARD);
    plain.line(0, "e4 e5 Nf3 Nc6");
    assert_eq!(movetext(plain, Times::None), "1. e4 e5 2. Nf3 Nc6 *");

    let mut commented = Board::new(STANDARD);
    let node = commented.line(0, "e4");
    commented.comment(node, 0.0, "best by test");
    let node = commented.line(node, "e5");
    commented.comment(node, 0.0, "so is this");
    commented.line(node, "Nf3 Nc6");
    assert_eq!(
        movetext(commented, Times::None),
        "1. e4 {best by test} 1... e5 {so is this} 2. Nf3 Nc6 *"
    );

    let mut varied = Board::new(STANDARD);
    let e4 = varied.line(0, "e4");
    varied.line(e4, "e5");
    varied.line(0, "d4 d5");
    assert_eq!(movetext(varied, Times::None), "1. e4 (1. d4 d5) 1... e5 *");

    let mut glyph = Board::new(STANDARD);
    let e4 = glyph.line(0, "e4");
    glyph.nags(e4, &[1]);
    glyph.line(e4, "e5");
    assert_eq!(movetext(glyph, Times::None), "1. e4 $1 1... e5 *");

    let mut black_begins = Board::new("4k3/8/8/8/8/8/8/4K2R b K - 0 12");
    black_begins.comment(0, 0.0, "Black to move");
    black_begins.line(0, "Kd7 O-O");
    assert_eq!(
        movetext(black_begins, Times::None),
        "{Black to move} 12... Kd7 13. O-O *"
    );
}

/// Section 8.2.3.4: a file, else a rank, else both, only if another piece of the same kind can legally go there. The
/// section's example: knights on c3 and g1, e2 vacant: Nce2 and Nge2; is the one on c3 pinned to its king, the other's
/// move is Ne2.
#[test]
fn section_8_2_3_4_a_pinned_piece_needs_no_telling_apart() {
    let free = "4k3/8/8/8/8/2N5/8/4K1N1 w - - 0 1";
    let pinned = "4k3/8/8/8/1b6/2N5/8/4K1N1 w - - 0 1";
    for (fen, uci, san) in [
        (free, "g1e2", "Nge2"),
        (free, "c3e2", "Nce2"),
        (pinned, "g1e2", "Ne2"),
    ] {
        let mut board = Board::new(fen);
        board.play(0, uci);
        assert_eq!(
            movetext(board, Times::None),
            format!("1. {san} *"),
            "{uci} in {fen}"
        );
    }
}

/// Section 8.2.3.3: castling is O-O and O-O-O with the letter, not the digit; pawns have no letter, and the file of
/// origin when they capture; no mark for en passant; promotion with `=` (by the rules of the section; positions ours).
#[test]
fn section_8_2_3_3_special_moves() {
    let cases = [
        ("4k3/8/8/8/8/8/8/4K2R w K - 0 1", "e1g1", "O-O"),
        ("r3k3/8/8/8/8/8/8/4K3 b q - 0 1", "e8c8", "O-O-O"),
        ("4k3/8/8/3pP3/8/8/8/4K3 w - d6 0 1", "e5d6", "exd6"),
        ("4k3/P7/8/8/8/8/8/4K3 w - - 0 1", "a7a8n", "a8=N"),
        ("1r2k3/P7/8/8/8/8/8/4K3 w - - 0 1", "a7b8q", "axb8=Q+"),
    ];
    for (fen, uci, san) in cases {
        let mut board = Board::new(fen);
        board.play(0, uci);
        let number = if fen.contains(" b ") { "1..." } else { "1." };
        assert_eq!(
            movetext(board, Times::None),
            format!("{number} {san} *"),
            "{uci} in {fen}"
        );
    }
}

/// Section 8.2.3.5: `+` for check and `#` for checkmate; nothing for stalemate. (Positions ours; the mate on the back
/// rank, the stalemate with the queen on f7 are textbook positions.)
#[test]
fn section_8_2_3_5_check_and_checkmate() {
    let cases = [
        ("6k1/5ppp/8/8/8/8/8/R3K3 w Q - 0 1", "a1a8", "Ra8#"),
        ("6k1/5p1p/8/8/8/8/8/R3K3 w Q - 0 1", "a1a8", "Ra8+"),
        ("7k/8/6K1/8/8/8/8/5Q2 w - - 0 1", "f1f7", "Qf7"),
    ];
    for (fen, uci, san) in cases {
        let mut board = Board::new(fen);
        board.play(0, uci);
        assert_eq!(
            movetext(board, Times::None),
            format!("1. {san} *"),
            "{uci} in {fen}"
        );
    }
}

/// Section 8.2.3.8: the suffixes `!`, `?`, `!!`, `!?`, `?!`, `??` are for import; export has the NAGs 1, 3, 5, 6, 2, 4
/// of section 10 in their place. The reading side is `pgn-reader`'s.
#[test]
fn section_8_2_3_8_suffixes_are_written_as_nags() {
    let suffixes = [
        ("!", 1),
        ("?", 2),
        ("!!", 3),
        ("??", 4),
        ("!?", 5),
        ("?!", 6),
    ];
    for (suffix, nag) in suffixes {
        let read_nags = read(&format!("1. e4{suffix} *"))[0].nodes[1].nags.clone();
        assert_eq!(read_nags, [nag]);
        let mut board = Board::new(STANDARD);
        let node = board.line(0, "e4");
        board.nags(node, &read_nags);
        assert_eq!(movetext(board, Times::None), format!("1. e4 ${nag} *"));
    }
}

/// Sections 8.2.4 and 10: a NAG is `$` with a number from 0 to 255, after its move. 10 is an equal position, 13 an
/// unclear one, 18 a decisive advantage for White.
#[test]
fn section_8_2_4_nags() {
    let mut board = Board::new(STANDARD);
    let node = board.line(0, "e4");
    board.nags(node, &[3, 18]);
    let node = board.line(node, "e5");
    board.nags(node, &[0, 10, 13, 139, 255]);
    board.comment(node, 0.0, "who knows");
    let text = movetext(board, Times::None);
    assert_eq!(
        text,
        "1. e4 $3 $18 1... e5 $0 $10 $13 $139 $255 {who knows} *"
    );
    let game = &read(&text)[0];
    assert_eq!(game.nodes[1].nags, [3, 18]);
    assert_eq!(game.nodes[2].nags, [0, 10, 13, 139, 255]);
}

/// Section 8.2.5: a variation may be played after unplaying the move before it, and may hold others. (Text by the rule.)
#[test]
fn section_8_2_5_variations() {
    let mut board = Board::new(STANDARD);
    // Told first, but not the main line; its own sidelines are nested in it.
    let c4 = board.line(0, "c4");
    let e5 = board.line(c4, "e5");
    board.line(c4, "c5 Nf3");
    board.line(e5, "Nc3");
    board.line(e5, "g3");
    let main = board.line(0, "e4 e5 Nf3");
    board.line(0, "d4");
    board.line(main - 1, "f4 exf4");
    board.main_line_to(main);
    board.line(main, "Nc6");
    board.line(main, "d6");
    let text = movetext(board, Times::None);
    assert_eq!(
        text,
        "1. e4 (1. c4 e5 (1... c5 2. Nf3) 2. Nc3 (2. g3)) (1. d4) 1... e5 2. Nf3 (2. f4\n\
         exf4) 2... Nc6 (2... d6) *"
    );
}

/// Section 8.2.5: no depth of nesting is too much. Each variation here holds the next.
#[test]
fn section_8_2_5_deep_nesting() {
    const DEPTH: usize = 5_000;
    let mut board = Board::new(STANDARD);
    let mut node = 0;
    for ply in 0..DEPTH {
        let (main, other) = match ply % 4 {
            0 => ("Nf3", "Nc3"),
            1 => ("Nf6", "Nc6"),
            2 => ("h3", "Nb1"),
            _ => ("h6", "Nb8"),
        };
        // The third and the fourth ply take the knights back, so that it goes on for ever; pawns stay where they are.
        board.line(node, main);
        node = board.line(node, other);
    }
    let study = study("Deep", vec![board]);
    let text = pgn::to_string(&study, Times::Commands).unwrap();
    assert_lines(&text);
    assert_eq!(text.matches('(').count(), DEPTH);
    assert_eq!(text.matches(')').count(), DEPTH);
    assert_eq!(read(&text)[0].nodes.len(), 2 * DEPTH + 1);
}

/// Section 8.2.6: the movetext ends with a termination marker, `*` for a game of which no result is known; the same as
/// the `Result` tag's value.
#[test]
fn section_8_2_6_termination_marker() {
    let mut board = Board::new(STANDARD);
    board.line(0, "f3 e5 g4 Qh4#");
    let text = pgn::to_string(&study("Mate, but nobody's game", vec![board]), Times::None).unwrap();
    let game = &read(&text)[0];
    assert_eq!(game.outcome.as_deref(), Some("*"));
    assert_eq!(game.tag("Result"), Some("*"));
    assert!(text.ends_with("2. g4 Qh4# *\n\n"));
}

/// Our own contract, on the ground of section 5: where the times stand.
#[test]
fn times_stand_before_the_text() {
    let board = || {
        let mut board = Board::new(STANDARD);
        board.comment(0, 3.0, "Welcome.");
        let e4 = board.line(0, "e4");
        board.mention(e4, 131.42, "e4");
        board.mention(e4, 200.0, "e4 again");
        board.comment(e4, 133.0, "It opens lines.");
        board.comment(e4, 180.0, "We come back to it.");
        let e5 = board.line(e4, "e5");
        board.mention(e5, 3_599.96, "e5");
        // Nobody says this move.
        board.line(e5, "Nf3");
        board
    };
    assert_eq!(
        movetext(board(), Times::Commands),
        "{[%said 0:00:03.0] Welcome.} 1. e4 {[%said 0:02:11.4] It opens lines. We come\n\
         back to it.} 1... e5 {[%said 1:00:00.0]} 2. Nf3 *"
    );
    assert_eq!(
        movetext(board(), Times::Plain),
        "{(0:03) Welcome.} 1. e4 {(2:11) It opens lines. We come back to it.} 1... e5\n{(1:00:00)} 2. Nf3 *"
    );
    assert_eq!(
        movetext(board(), Times::None),
        "{Welcome.} 1. e4 {It opens lines. We come back to it.} 1... e5 2. Nf3 *"
    );
}

/// Our own contract: words of the speaker are never taken for a command.
#[test]
fn speech_can_not_give_commands() {
    let mut board = Board::new(STANDARD);
    board.comment(
        0,
        1.0,
        "he wrote [%said 9:59:59.9] on the wall, and [Music]",
    );
    assert_eq!(
        movetext(board, Times::Commands),
        "{[%said 0:00:01.0] he wrote (%said 9:59:59.9] on the wall, and [Music]} *"
    );
}
