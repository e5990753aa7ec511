//! The moves that we write against the FIDE Laws of Chess (in force from 1 January 2023), Appendix C, "Algebraic
//! notation". Each test names the article; articles and their examples are quoted from memory, the positions around
//! the examples are ours. PGN differs from the Laws where the PGN standard says so: `=` before the piece of a
//! promotion, letters instead of zeros for castling, no "e.p.".

mod pgn_support;

use pgn_support::{Board, movetext};
use plyscribe::export::pgn::Times;

/// Asserts that each move, in coordinates, is written so.
fn assert_written(cases: &[(&str, &str, &str)]) {
    for &(fen, uci, expected) in cases {
        let mut board = Board::new(fen);
        board.play(0, uci);
        let number = if fen.contains(" w ") { "1." } else { "1..." };
        assert_eq!(
            movetext(board, Times::None),
            format!("{number} {expected} *"),
            "{uci} in {fen}"
        );
    }
}

/// C.2 and C.8: the piece's first letter (N for the knight), then the square of arrival: Be5, Nf3, Rd1.
#[test]
fn c_8_a_piece_and_its_square_of_arrival() {
    assert_written(&[
        ("7k/8/8/8/8/6B1/8/K7 w - - 0 1", "g3e5", "Be5+"),
        ("7k/8/8/8/8/5B2/8/K7 w - - 0 1", "f3e4", "Be4"),
        ("k7/8/8/8/8/8/8/K5N1 w - - 0 1", "g1f3", "Nf3"),
        ("k7/8/8/8/8/8/8/6KR w - - 0 1", "h1h5", "Rh5"),
        ("7k/8/8/8/8/8/K7/3r4 b - - 0 1", "d1d5", "Rd5"),
        ("k7/8/8/8/8/3Q4/8/K7 w - - 0 1", "d3c3", "Qc3"),
        ("k7/8/8/8/8/8/8/K7 w - - 0 1", "a1b2", "Kb2"),
    ]);
}

/// C.3 and C.8: a pawn has no letter, only its square of arrival: e5, d4, a5.
#[test]
fn c_3_pawns_have_no_letter() {
    assert_written(&[
        ("k7/4p3/8/8/8/8/8/K7 b - - 0 1", "e7e5", "e5"),
        ("k7/8/8/8/8/8/3P4/K7 w - - 0 1", "d2d4", "d4"),
        ("7k/8/p7/8/8/8/8/K7 b - - 0 1", "a6a5", "a5"),
    ]);
}

/// C.9: captures with x: Bxe5, Nxf3, Rxd1; a pawn names its file of departure: dxe5, gxf3, axb5.
#[test]
fn c_9_captures() {
    assert_written(&[
        ("k7/8/8/4p3/8/6B1/8/K7 w - - 0 1", "g3e5", "Bxe5"),
        ("k7/8/8/8/8/5p2/8/K5N1 w - - 0 1", "g1f3", "Nxf3"),
        ("k2r4/8/8/8/8/8/7K/3N4 b - - 0 1", "d8d1", "Rxd1"),
        ("k7/8/8/4p3/3P4/8/8/K7 w - - 0 1", "d4e5", "dxe5"),
        ("k7/8/8/8/6p1/5P2/8/K7 b - - 0 1", "g4f3", "gxf3"),
        ("7k/8/8/1p6/P7/8/8/K7 w - - 0 1", "a4b5", "axb5"),
    ]);
}

/// C.9: an en passant capture names the square on which the capturing pawn arrives: exd6 ("e.p." may be added; PGN
/// does not).
#[test]
fn c_9_en_passant() {
    assert_written(&[
        ("k7/8/8/3pP3/8/8/8/K7 w - d6 0 1", "e5d6", "exd6"),
        ("k7/8/8/8/3pP3/8/8/K7 b - e3 0 1", "d4e3", "dxe3"),
    ]);
}

/// C.10.1: two of a kind on the same rank are told apart by the file. Knights on g1 and e1, one goes to f3: Ngf3, Nef3.
#[test]
fn c_10_1_by_file_on_the_same_rank() {
    assert_written(&[
        ("k7/8/8/8/8/8/8/K3N1N1 w - - 0 1", "g1f3", "Ngf3"),
        ("k7/8/8/8/8/8/8/K3N1N1 w - - 0 1", "e1f3", "Nef3"),
    ]);
}

/// C.10.2: two of a kind on the same file are told apart by the rank. Knights on g5 and g1, one goes to f3: N5f3, N1f3.
#[test]
fn c_10_2_by_rank_on_the_same_file() {
    assert_written(&[
        ("k7/8/8/6N1/8/8/8/K5N1 w - - 0 1", "g5f3", "N5f3"),
        ("k7/8/8/6N1/8/8/8/K5N1 w - - 0 1", "g1f3", "N1f3"),
    ]);
}

/// C.10: on different ranks and files, the file is preferred. Knights on h2 and d4, one goes to f3: Nhf3, Ndf3; with a
/// capture there: Nhxf3, Ndxf3.
#[test]
fn c_10_the_file_is_preferred() {
    assert_written(&[
        ("k7/8/8/8/3N4/8/7N/K7 w - - 0 1", "h2f3", "Nhf3"),
        ("k7/8/8/8/3N4/8/7N/K7 w - - 0 1", "d4f3", "Ndf3"),
        ("k7/8/8/8/3N4/5p2/7N/K7 w - - 0 1", "h2f3", "Nhxf3"),
        ("k7/8/8/8/3N4/5p2/7N/K7 w - - 0 1", "d4f3", "Ndxf3"),
    ]);
}

/// C.10 taken together, where neither file nor rank is enough: three queens on a4, a1 and d1, one goes to d4, needs
/// both (PGN standard, section 8.2.3.4, third rule). Position ours.
#[test]
fn c_10_by_both_where_one_is_not_enough() {
    assert_written(&[
        ("1k6/8/8/8/Q7/8/8/Q2Q3K w - - 0 1", "a1d4", "Qa1d4"),
        ("1k6/8/8/8/Q7/8/8/Q2Q3K w - - 0 1", "a4d4", "Q4d4"),
        ("1k6/8/8/8/Q7/8/8/Q2Q3K w - - 0 1", "d1d4", "Qdd4"),
    ]);
}

/// C.11: two pawns that can take the same piece: white pawns on c4 and e4, a black pawn on d5: cxd5, exd5.
#[test]
fn c_11_two_pawns_take_the_same() {
    assert_written(&[
        ("k7/8/8/3p4/2P1P3/8/8/K7 w - - 0 1", "c4d5", "cxd5"),
        ("k7/8/8/3p4/2P1P3/8/8/K7 w - - 0 1", "e4d5", "exd5"),
    ]);
}

/// C.12: the pawn's move, then the new piece: d8Q, exf8N, b1B, g1R; in PGN with `=`.
#[test]
fn c_12_promotion() {
    assert_written(&[
        ("8/k2P4/8/8/8/8/8/K7 w - - 0 1", "d7d8q", "d8=Q"),
        ("k4r2/4P3/8/8/8/8/8/K7 w - - 0 1", "e7f8n", "exf8=N"),
        ("k7/8/8/8/8/8/1p1K4/8 b - - 0 1", "b2b1b", "b1=B"),
        ("k7/8/8/8/8/8/K5p1/8 b - - 0 1", "g2g1r", "g1=R"),
    ]);
}

/// C.13: 0-0 and 0-0-0 for castling (with letters in PGN), + for check, # for checkmate. Castling can give check or
/// mate, too. Positions ours.
#[test]
fn c_13_castling_check_and_mate() {
    assert_written(&[
        ("k7/8/8/8/8/8/8/4K2R w K - 0 1", "e1g1", "O-O"),
        ("4k2r/8/8/8/8/8/8/K7 b k - 0 1", "e8g8", "O-O"),
        ("6k1/8/8/8/8/8/8/R3K3 w Q - 0 1", "e1c1", "O-O-O"),
        ("r3k3/8/8/8/8/8/8/7K b q - 0 1", "e8c8", "O-O-O"),
        ("5k2/8/8/8/8/8/8/4K2R w K - 0 1", "e1g1", "O-O+"),
        ("2rkr3/2p1p3/8/8/8/8/8/R3K3 w Q - 0 1", "e1c1", "O-O-O#"),
        ("6k1/5ppp/8/8/8/8/8/R5K1 w - - 0 1", "a1a8", "Ra8#"),
        ("k7/8/8/8/8/8/8/K6R w - - 0 1", "h1h8", "Rh8+"),
        ("7k/P4K2/8/6P1/8/8/8/8 w - - 0 1", "a7a8q", "a8=Q+"),
    ]);
}
