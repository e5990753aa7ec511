//! The program as a user meets it: arguments, files and messages in, text and exit codes out.

use std::fs;
use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

const LESSON: &str = "WEBVTT\n\n00:01.000 --> 00:06.000\nWe open with e4, and black answers c5.\n\n\
    00:06.500 --> 00:12.000\nThen knight f3, and black plays d6.\n\n\
    00:12.500 --> 00:16.000\nNow d4, takes, and knight takes d4.\n";

struct Folder(tempfile::TempDir);

impl Folder {
    fn new() -> Folder {
        Folder(tempfile::tempdir().unwrap())
    }

    fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    fn file(&self, name: &str, bytes: impl AsRef<[u8]>) -> PathBuf {
        fs::write(self.path(name), bytes).unwrap();
        self.path(name)
    }

    fn names(&self) -> Vec<String> {
        let mut names: Vec<String> = fs::read_dir(self.0.path())
            .unwrap()
            .map(|e| e.unwrap().file_name().into_string().unwrap())
            .collect();
        names.sort();
        names
    }
}

fn program() -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_plyscribe"));
    command.stdin(Stdio::null());
    command
}

fn align(lesson: &Path, more: &[&str]) -> Output {
    program()
        .arg("align")
        .arg(lesson)
        .args(more)
        .output()
        .unwrap()
}

fn explain(lesson: &Path, at: &str) -> Output {
    program()
        .arg("explain")
        .arg(lesson)
        .args(["--at", at])
        .output()
        .unwrap()
}

fn out(output: &Output) -> &str {
    std::str::from_utf8(&output.stdout).unwrap()
}

fn err(output: &Output) -> &str {
    std::str::from_utf8(&output.stderr).unwrap()
}

/// Exit code 2, nothing on standard output, and a message that holds all the parts.
#[track_caller]
fn refused(output: &Output, parts: &[&str]) {
    assert_eq!(output.status.code(), Some(2), "{}", err(output));
    assert_eq!(out(output), "");
    assert!(!err(output).contains("panicked"), "{}", err(output));
    for part in parts {
        assert!(
            err(output).contains(part),
            "no {part:?} in {:?}",
            err(output)
        );
    }
}

#[track_caller]
fn done(output: &Output) {
    assert_eq!(output.status.code(), Some(0), "{}", err(output));
}

#[test]
fn align_prints_the_study() {
    let folder = Folder::new();
    let lesson = folder.file("najdorf.vtt", LESSON);
    let output = align(&lesson, &["--times", "none"]);
    done(&output);
    assert!(
        out(&output).contains("[Event \"najdorf\"]"),
        "{}",
        out(&output)
    );
    for san in ["1. e4 c5", "2. Nf3 d6", "3. d4 cxd4 4. Nxd4"] {
        assert!(out(&output).contains(san), "no {san} in {}", out(&output));
    }
    assert_eq!(folder.names(), ["najdorf.vtt"]);
}

#[test]
fn times_and_title_are_as_asked_for() {
    let folder = Folder::new();
    let lesson = folder.file("a.vtt", LESSON);
    let commands = align(&lesson, &["--title", "Open \"Sicilian\""]);
    assert!(out(&commands).contains("[%said 0:00:0"));
    assert!(
        out(&commands).contains(r#"[Event "Open \"Sicilian\""]"#),
        "{}",
        out(&commands)
    );
    let plain = align(&lesson, &["--times", "plain"]);
    assert!(!out(&plain).contains("[%"));
    assert!(out(&plain).contains("(0:0"), "{}", out(&plain));
    let none = align(&lesson, &["--times", "none"]);
    assert!(!out(&none).contains("[%") && !out(&none).contains("(0:0"));
    refused(&align(&lesson, &["--times", "roman"]), &["roman", "plain"]);
}

#[test]
fn files_are_written_together_or_not_at_all() {
    let folder = Folder::new();
    let lesson = folder.file("a.vtt", LESSON);
    let (pgn, json) = (folder.path("a.pgn"), folder.path("a.json"));
    let output = align(
        &lesson,
        &[
            "--pgn",
            pgn.to_str().unwrap(),
            "--json",
            json.to_str().unwrap(),
        ],
    );
    done(&output);
    assert_eq!(out(&output), "");
    assert!(fs::read_to_string(&pgn).unwrap().ends_with("*\n\n"));
    let study = plyscribe::export::json::from_str(&fs::read_to_string(&json).unwrap()).unwrap();
    assert_eq!(study.source.name, "a.vtt");
    assert!(study.games[0].nodes.len() > 5);

    for (pgn, json) in [
        ("new.pgn", "no/such/new.json"),
        ("no/such/new.pgn", "new.json"),
    ] {
        let (pgn, json) = (folder.path(pgn), folder.path(json));
        let output = align(
            &lesson,
            &[
                "--pgn",
                pgn.to_str().unwrap(),
                "--json",
                json.to_str().unwrap(),
            ],
        );
        refused(&output, &["there is no folder", "no/such"]);
        assert_eq!(folder.names(), ["a.json", "a.pgn", "a.vtt"]);
    }
    // To a folder; both to one file; PGN printed though JSON can't be written.
    let here = folder.0.path().to_str().unwrap();
    refused(&align(&lesson, &["--pgn", here]), &["it is a folder"]);
    let one = folder.path("one");
    let one = one.to_str().unwrap();
    refused(
        &align(&lesson, &["--pgn", one, "--json", one]),
        &["can't both go to one file"],
    );
    let missing = folder.path("no/a.json");
    refused(
        &align(&lesson, &["--json", missing.to_str().unwrap()]),
        &["there is no folder"],
    );
    assert_eq!(folder.names(), ["a.json", "a.pgn", "a.vtt"]);
}

#[test]
fn what_is_no_lesson_is_refused_with_the_reason() {
    let folder = Folder::new();
    refused(
        &align(&folder.path("gone.vtt"), &[]),
        &["gone.vtt", "no such file"],
    );
    refused(&align(folder.0.path(), &[]), &["it is a folder"]);
    refused(
        &align(&folder.file("empty.vtt", ""), &[]),
        &["empty.vtt", "empty"],
    );
    refused(
        &align(&folder.file("blank.srt", " \n\r\n"), &[]),
        &["blank.srt", "empty"],
    );
    refused(
        &align(&folder.file("letter.txt", "Dear Oskar, e4 is best.\n"), &[]),
        &["letter.txt", "no times"],
    );
    refused(
        &align(
            &folder.file("photo.vtt", [0u8, 1, 2, 255, 254, 0, 0, 7]),
            &[],
        ),
        &["photo.vtt", "binary"],
    );
    refused(
        &align(
            &folder.file("broken.json", "{\"segments\": [\n  {\"start\": 1,"),
            &[],
        ),
        &["broken.json", "line 2"],
    );
    refused(
        &align(&folder.file("other.json", "{\"moves\": []}"), &[]),
        &["other.json", "segments"],
    );
    let mut latin = LESSON.as_bytes().to_vec();
    latin.extend(b"\n00:17.000 --> 00:18.000\nna\xEFve\n");
    refused(
        &align(&folder.file("latin.vtt", latin), &[]),
        &["latin.vtt", "line 13, column 3", "0xEF", "Windows-1252"],
    );
}

#[cfg(unix)]
#[test]
fn a_file_without_permission_is_named() {
    use std::os::unix::fs::PermissionsExt;
    let folder = Folder::new();
    let lesson = folder.file("mine.vtt", LESSON);
    fs::set_permissions(&lesson, fs::Permissions::from_mode(0o000)).unwrap();
    // The administrator may read anything.
    if fs::read(&lesson).is_err() {
        refused(&align(&lesson, &[]), &["mine.vtt", "can't read it"]);
    }
}

#[test]
fn utf_16_with_its_mark_is_read() {
    let folder = Folder::new();
    let units: Vec<u16> = LESSON.encode_utf16().collect();
    let little: Vec<u8> = [0xFF, 0xFE]
        .into_iter()
        .chain(units.iter().flat_map(|u| u.to_le_bytes()))
        .collect();
    let big: Vec<u8> = [0xFE, 0xFF]
        .into_iter()
        .chain(units.iter().flat_map(|u| u.to_be_bytes()))
        .collect();
    let plain = align(&folder.file("a.vtt", LESSON), &["--title", "t"]);
    for (name, bytes) in [("le.vtt", little), ("be.vtt", big)] {
        let output = align(&folder.file(name, bytes), &["--title", "t"]);
        done(&output);
        assert_eq!(out(&output), out(&plain));
    }
}

#[test]
fn odd_captions_are_told_with_their_line_and_the_rest_is_read() {
    let folder = Folder::new();
    let broken = LESSON.replace("00:06.500 --> 00:12.000", "00:06.500 --> soon");
    let output = align(&folder.file("broken.vtt", broken), &["--times", "none"]);
    done(&output);
    assert!(
        err(&output).contains("broken.vtt, line 6: "),
        "{}",
        err(&output)
    );
    assert!(out(&output).contains("1. e4"), "{}", out(&output));

    let backwards = LESSON.replace("00:06.500 --> 00:12.000", "00:12.000 --> 00:06.500");
    let output = align(&folder.file("backwards.vtt", backwards), &[]);
    done(&output);
    assert!(
        err(&output).contains("backwards.vtt, line 6: "),
        "{}",
        err(&output)
    );
    assert!(out(&output).contains("1. e4"), "{}", out(&output));
}

#[test]
fn a_lesson_without_moves_gives_its_words() {
    let folder = Folder::new();
    let words = "WEBVTT\n\n00:01.000 --> 00:04.000\nToday we only talk about sleep.\n";
    let output = align(&folder.file("sleep.vtt", words), &[]);
    done(&output);
    assert!(
        err(&output).contains("no moves were found"),
        "{}",
        err(&output)
    );
    assert!(
        out(&output).contains("Today we only talk about sleep."),
        "{}",
        out(&output)
    );
    assert!(out(&output).contains("[PlyCount \"0\"]"));
}

#[test]
fn slips_are_listed_with_their_time() {
    let folder = Folder::new();
    let lesson = "WEBVTT\n\n00:01.000 --> 00:06.000\nWe open with e4, and black plays e5.\n\n\
        01:06.500 --> 01:12.000\nThen knight f3, and black plays knight c6.\n\n\
        01:12.500 --> 01:16.000\nNow comes bishop c5, the Spanish. And black plays a6. Then bishop a4.\n";
    let output = align(&folder.file("slip.vtt", lesson), &[]);
    done(&output);
    let line = err(&output)
        .lines()
        .find(|l| l.contains("illegal"))
        .unwrap_or_else(|| panic!("{}", err(&output)));
    assert!(
        line.starts_with("1:12  illegal") || line.starts_with("1:13  illegal"),
        "{line}"
    );
    assert!(line.contains("\"bishop c5\""), "{line}");
    assert!(line.contains("Bb5"), "{line}");
    assert!(!out(&output).contains("illegal"));
}

#[test]
fn starts_are_positions_or_say_why_not() {
    let folder = Folder::new();
    let ending =
        "WEBVTT\n\n00:01.000 --> 00:06.000\nWhite plays rook a7, and the king goes to f8.\n";
    let lesson = folder.file("ending.vtt", ending);
    let output = align(&lesson, &["--start", "4k3/8/8/8/8/8/8/R3K3 w - - 0 1"]);
    done(&output);
    assert!(out(&output).contains("[FEN \"4k3/8/8/8/8/8/8/R3K3 w - - 0 1\"]"));
    assert!(out(&output).contains("1. Ra7"), "{}", out(&output));
    for (start, reason) in [
        ("4k3/8/8/8/8/8/8/R7 w - - 0 1", "a king is missing"),
        (
            "4k3/8/8/8/8/8/8/R3K2P w - - 0 1",
            "a pawn stands on the first",
        ),
        (
            "4k3/8/8/8/8/8/4Q3/R3K3 w - - 0 1",
            "not to move is in check",
        ),
        ("the middle game", "neither standard, said nor a FEN"),
    ] {
        refused(
            &align(&lesson, &["--start", start]),
            &["--start", start, reason],
        );
    }
    let said = align(&lesson, &["--start", "said"]);
    done(&said);
    assert!(err(&said).contains("can't be read yet"), "{}", err(&said));
}

#[test]
fn languages_without_a_grammar_are_refused() {
    let folder = Folder::new();
    let english = folder.file("a.vtt", LESSON);
    for code in ["en", "auto", "en-GB"] {
        done(&align(&english, &["--language", code]));
    }
    refused(
        &align(&english, &["--language", "tlh"]),
        &["tlh", "en (English)"],
    );
    let other = LESSON.replace("WEBVTT\n", "WEBVTT\nLanguage: tlh\n");
    let other = folder.file("other.vtt", other);
    refused(
        &align(&other, &[]),
        &["other.vtt", "tlh", "en (English)", "--language en"],
    );
    done(&align(&other, &["--language", "en"]));
}

#[test]
fn standard_input_is_a_lesson_too() {
    let mut child = program()
        .args(["align", "-"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    child
        .stdin
        .take()
        .unwrap()
        .write_all(LESSON.as_bytes())
        .unwrap();
    let output = child.wait_with_output().unwrap();
    done(&output);
    assert!(out(&output).contains("1. e4"));
    refused(
        &program().args(["align", "-"]).output().unwrap(),
        &["standard input", "empty"],
    );
}

#[test]
fn a_reader_that_goes_away_is_no_error() {
    let folder = Folder::new();
    // Longer than a pipe holds (64 KiB on Linux).
    let mut long = String::from("WEBVTT\n\n00:01.000 --> 00:02.000\nWe open with e4.\n");
    for second in 2..3000 {
        let (m, s) = (second / 60, second % 60);
        long += &format!(
            "\n{m:02}:{s:02}.000 --> {m:02}:{s:02}.900\nAnd so the talk goes on and on, line number {second} of it.\n"
        );
    }
    let lesson = folder.file("long.vtt", long);
    for arguments in [vec!["align"], vec!["explain", "--at", "1"]] {
        let mut child = program()
            .args(&arguments)
            .arg(&lesson)
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let mut pipe = child.stdout.take().unwrap();
        let mut first = [0u8; 1];
        pipe.read_exact(&mut first).unwrap();
        drop(pipe);
        let output = child.wait_with_output().unwrap();
        done(&output);
        assert!(!err(&output).contains("panicked"), "{}", err(&output));
    }
}

#[cfg(target_os = "linux")]
#[test]
fn a_full_disk_behind_standard_output_is_an_error() {
    let folder = Folder::new();
    let lesson = folder.file("a.vtt", LESSON);
    let full = fs::OpenOptions::new()
        .write(true)
        .open("/dev/full")
        .unwrap();
    let output = program()
        .arg("align")
        .arg(&lesson)
        .stdout(full)
        .stderr(Stdio::piped())
        .output()
        .unwrap();
    refused(&output, &["can't write to standard output"]);
}

#[test]
fn explain_tells_the_position_the_reading_and_its_rivals() {
    let folder = Folder::new();
    let lesson = folder.file("a.vtt", LESSON);
    let output = explain(&lesson, "0:10.5");
    done(&output);
    let text = out(&output);
    assert!(
        text.lines().all(|line| line.chars().count() <= 100),
        "{text}"
    );
    // The words, the board before them, what they were read as, and the rival that is always there.
    for part in [
        "0:10",
        "“Then knight f3, and black plays d6.",
        "1. e4 c5",
        "rnbqkbnr/pp1ppppp/8/2p5/4P3/8/PPPP1PPP/RNBQKBNR w KQkq - 0 2",
        "read as 2. Nf3;",
        "no move",
        "move.",
    ] {
        assert!(text.contains(part), "no {part:?} in {text}");
    }
    assert_eq!(out(&explain(&lesson, "10.5")), text);
    assert_eq!(out(&explain(&lesson, "0:00:10.5")), text);
}

#[test]
fn explain_refuses_times_that_are_none_or_not_in_the_lesson() {
    let folder = Folder::new();
    let lesson = folder.file("a.vtt", LESSON);
    refused(&explain(&lesson, "0:17"), &["0:17", "ends at 0:16"]);
    refused(&explain(&lesson, "1:00:00"), &["1:00:00", "ends at 0:16"]);
    for time in ["soon", "0:61", "1:2:3:4", ""] {
        refused(&explain(&lesson, time), &["is no time", "m:ss"]);
    }
    let minus = program()
        .arg("explain")
        .arg(&lesson)
        .args(["--at=-3"])
        .output()
        .unwrap();
    refused(&minus, &["is no time"]);
    refused(
        &program().arg("explain").arg(&lesson).output().unwrap(),
        &["--at"],
    );
}

#[test]
fn help_and_version_are_told() {
    let version = program().arg("--version").output().unwrap();
    done(&version);
    assert_eq!(
        out(&version),
        format!("plyscribe {}\n", env!("CARGO_PKG_VERSION"))
    );
    for arguments in [
        vec!["--help"],
        vec!["align", "--help"],
        vec!["explain", "--help"],
    ] {
        let help = program().args(&arguments).output().unwrap();
        done(&help);
        assert!(out(&help).contains("Usage: plyscribe"), "{}", out(&help));
    }
    let help = program().args(["align", "--help"]).output().unwrap();
    for option in [
        "--pgn",
        "--json",
        "--times",
        "--title",
        "--language",
        "--start",
    ] {
        assert!(out(&help).contains(option), "no {option}");
    }
    refused(&program().arg("dance").output().unwrap(), &["dance"]);
    let nothing = program().output().unwrap();
    assert_eq!(nothing.status.code(), Some(2));
    assert!(err(&nothing).contains("Usage: plyscribe"));
}
