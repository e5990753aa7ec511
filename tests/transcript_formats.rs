//! Files of every format, whole and odd, read into words. Section numbers of W3C WebVTT are from memory.

use plyscribe::transcript::{Transcript, TranscriptError, read};

fn good(file: &str, name: &str) -> Transcript {
    read(file.as_bytes(), name).unwrap_or_else(|error| panic!("{error}\n{file}"))
}

fn text(transcript: &Transcript) -> String {
    transcript
        .words
        .iter()
        .map(|w| format!("{}{}", if w.turn { "|" } else { "" }, w.text))
        .collect::<Vec<_>>()
        .join(" ")
}

fn starts(transcript: &Transcript) -> Vec<f64> {
    transcript
        .words
        .iter()
        .map(|w| (w.start * 1000.0).round() / 1000.0)
        .collect()
}

fn warned(transcript: &Transcript) -> Vec<usize> {
    transcript.warnings.iter().map(|w| w.line).collect()
}

const ROLLING: &str = "WEBVTT\nKind: captions\nLanguage: en\n
00:00:00.800 --> 00:00:02.000 align:start position:0%\n \nso<00:00:01.000><c> e4</c><00:00:01.500><c> e5</c>\n
00:00:02.000 --> 00:00:02.010 align:start position:0%\nso e4 e5\n \n
00:00:02.010 --> 00:00:04.000 align:start position:0%\nso e4 e5\n&gt;&gt;<00:00:02.100><c> so</c><00:00:02.500><c> e4</c>\n
00:00:04.000 --> 00:00:04.010 align:start position:0%\n&gt;&gt; so e4\n \n
00:00:04.010 --> 00:00:06.000 align:start position:0%\n&gt;&gt; so e4\n[Music]\n";

#[test]
fn rolling_captions_give_each_word_once_with_its_own_time() {
    let lesson = good(ROLLING, "-");
    assert_eq!(text(&lesson), "so e4 e5 |so e4");
    assert_eq!(starts(&lesson), [0.8, 1.0, 1.5, 2.1, 2.5]);
    assert_eq!(lesson.language.as_deref(), Some("en"));
    assert_eq!(lesson.seconds, 6.0);
    assert_eq!(warned(&lesson), [0usize; 0]);
}

#[test]
fn rolling_captions_may_have_lost_their_trailing_spaces() {
    // W3C WebVTT 6.1 ends the cue at the blank line; what stands behind was said all the same.
    let lesson = good(&ROLLING.replace("\n \n", "\n\n"), "a.vtt");
    assert_eq!(text(&lesson), "so e4 e5 |so e4");
}

#[test]
fn webvtt_blocks_that_are_no_cues_are_passed_over() {
    // W3C WebVTT 4.1: comment, style and region blocks, cue identifiers; 4.3: cue settings.
    let lesson = good(
        "WEBVTT - a lesson\nTitle: Benoni\n\nSTYLE\n::cue { color: red }\n\nREGION\nid:r\n\nNOTE\nnot said\n\nintro\n\
         00:01.000 --> 00:02.000 line:0 region:r\ne4\n\nNOTE not said\n\n2\n00:02.000 --> 00:03.000\n<v.loud Anna Hill>e5</v>\n\n",
        "a.vtt",
    );
    assert_eq!(text(&lesson), "e4 |e5");
    assert_eq!(lesson.title.as_deref(), Some("Benoni"));
    assert_eq!(warned(&lesson), [0usize; 0]);
}

#[test]
fn a_cue_may_begin_without_a_blank_line() {
    // W3C WebVTT 6.1: a line with an arrow begins a cue.
    let lesson = good(
        "WEBVTT\n00:01.000 --> 00:02.000\ne4\n00:02.000 --> 00:03.000\ne5",
        "a.vtt",
    );
    assert_eq!(text(&lesson), "e4 e5");
    assert_eq!(lesson.words[1].caption, 1);
}

#[test]
fn broken_times_cost_no_words() {
    let lesson = good(
        "WEBVTT\n\n00:01.000 --> 00:02.000\ne4\n\n00:0x.000 --> 00:03.000\ne5\n\n00:03.000 --> 00:75.000\nNf3\n\n\
         00:05.000 --> 00:04.000\nNc6\n\n00:06.000 --> 00:08.000\nBb5<00:07.000> a6<00:06.500> Ba4<00:30.000> Nf6",
        "a.vtt",
    );
    assert_eq!(text(&lesson), "e4 e5 Nf3 Nc6 Bb5 a6 Ba4 Nf6");
    assert_eq!(warned(&lesson), [6, 9, 12, 16, 16]);
    assert_eq!(&starts(&lesson)[..6], [1.0, 2.0, 3.0, 5.0, 6.0, 7.0]);
    assert!(lesson.words[7].start <= 8.0);
}

#[test]
fn captions_out_of_order_are_sorted_and_overlaps_are_cut() {
    let lesson = good(
        "1\n00:00:05,000 --> 00:00:06,000\nthree\n\n2\n00:00:01,000 --> 00:00:04,000\none\n\n3\n00:00:03,000 --> 00:00:05,000\ntwo\n",
        "a.srt",
    );
    assert_eq!(text(&lesson), "one two three");
    assert_eq!(
        lesson.words.iter().map(|w| w.caption).collect::<Vec<_>>(),
        [1, 2, 0]
    );
    assert_eq!(warned(&lesson), [6, 10]);
    assert!(lesson.words[0].end <= 3.0);
}

#[test]
fn srt_is_read_as_it_is_found() {
    let lesson = good(
        "1\r\n00:00:01,000 --> 00:00:02,000 X1:10\r\n{\\an8}<i>Knight</i> <font color=\"#fff\">f3</font>\r\n2\r\n\
         00:00:02.500 --> 00:00:03.000\r\n- Rook&nbsp;d1.\r\n- Where?\r\n\r\n00:00:04,000 --> 00:00:05,000\r\n8\r\n\r\nbehind a blank line",
        "a.srt",
    );
    assert_eq!(
        text(&lesson),
        "Knight f3 |Rook d1. |Where? 8 behind a blank line"
    );
    assert_eq!(lesson.seconds, 5.0);
    let cr = good("1\r01:02:03,500 --> 01:02:04,000\r“e4”\r", "-");
    assert_eq!((text(&cr), cr.words[0].start), ("“e4”".into(), 3723.5));
}

#[test]
fn an_srt_caption_without_its_arrow_is_read_and_warned_of() {
    let lesson = good(
        "1\n00:00:01,000 --> 00:00:02,000\ne4\n\n2\n00:00:03,000\ne5\n\n3\n00:00:05,000 -> 00:00:06,000\nNf3\n",
        "a.srt",
    );
    assert_eq!(
        (text(&lesson), starts(&lesson)),
        ("e4 e5 Nf3".into(), vec![1.0, 3.0, 5.0])
    );
    assert_eq!(warned(&lesson), [6, 10]);
}

#[test]
fn paragraphs_and_lines_with_times() {
    let lesson = good(
        "Title: Slav\nLanguage: en\n\n[0:02] one two\nthree\n\nfour\n1:00 - five [1:05] six\n(1:02:03) seven",
        "a.txt",
    );
    assert_eq!(text(&lesson), "one two three four five six seven");
    let starts = starts(&lesson);
    assert_eq!(
        (starts[0], starts[4], starts[5], starts[6]),
        (2.0, 60.0, 65.0, 3723.0)
    );
    assert_eq!(
        (lesson.title.as_deref(), lesson.language.as_deref()),
        (Some("Slav"), Some("en"))
    );
    // Silence, not slow speech: four words don't last a minute.
    assert!(starts[3] < 10.0, "{starts:?}");
    // The last word: at a usual pace.
    assert!((3723.1..3725.0).contains(&lesson.seconds));
}

#[test]
fn a_first_line_that_is_a_sentence_was_said() {
    let lesson = good("Today we look at the Slav.\n[0:05] d4", "a.txt");
    assert_eq!(
        (text(&lesson), lesson.title.as_deref()),
        ("Today we look at the Slav. d4".into(), None)
    );
    assert_eq!(
        (
            lesson.words[0].start,
            lesson.words[6].start,
            warned(&lesson)
        ),
        (0.0, 5.0, vec![1])
    );
}

#[test]
fn json_segments_with_and_without_word_times() {
    let lesson = good(
        r#"[{"start": 1, "end": 3, "text": " Knight f3, check.", "words": [{"word": " Knight", "start": 1.0, "end": 1.4},
             {"word": " f", "start": 1.5, "end": 1.6}, {"word": "3", "start": 1.6, "end": 1.8}, {"word": " check", "start": 2.0, "end": 2.5}]},
            {"start": "3", "end": 4, "text": "e4 e5", "speaker": "A"}, 7, {"start": 4, "end": 5, "text": "d4", "words": null}]"#,
        "-",
    );
    assert_eq!(text(&lesson), "Knight f3, check. |e4 e5 d4");
    assert_eq!(&starts(&lesson)[..4], [1.0, 1.5, 2.0, 3.0]);
    assert_eq!((lesson.words[1].end, lesson.words[2].end), (1.8, 2.5));
    assert_eq!(warned(&lesson), [3]);
}

#[test]
fn json_words_without_a_time_stand_between_their_neighbours() {
    let lesson = good(
        r#"{"duration": 9.5, "segments": [{"start": 0, "end": 3, "text": "in 2014 e4", "words": [
            {"word": "in", "start": 0.2, "end": 0.4}, {"word": "2014"}, {"word": "e4", "start": 2.0, "end": 2.4}]}]}"#,
        "a.json",
    );
    let word = &lesson.words[1];
    assert_eq!(word.text, "2014");
    assert!(word.start >= 0.4 && word.end <= 2.0, "{word:?}");
    assert_eq!(lesson.seconds, 9.5);
}

#[test]
fn json_words_alone_are_read() {
    let lesson = good(
        r#"{"text": "e4 e5", "words": [{"word": "e4", "start": 1, "end": 2}, {"word": "e5", "start": 2, "end": 3}]}"#,
        "-",
    );
    assert_eq!(
        (text(&lesson), starts(&lesson)),
        ("e4 e5".into(), vec![1.0, 2.0])
    );
}

#[test]
fn two_paragraphs_of_one_second_share_a_usual_time() {
    let lesson = good("0:04 bishop b5\n0:04 a6 there\n1:00:07 last", "a.txt");
    assert_eq!(text(&lesson), "bishop b5 a6 there last");
    assert!(
        starts(&lesson)[..4]
            .windows(2)
            .all(|pair| pair[0] < pair[1])
            && lesson.words[3].end < 8.0,
        "{:?}",
        lesson.words
    );
}

#[test]
fn rolling_srt_without_word_times_gives_each_word_once() {
    let lesson = good(
        "1\n00:00:00,100 --> 00:00:04,000\none two\n\n2\n00:00:02,000 --> 00:00:06,000\none two\nthree\n\n\
         3\n00:00:04,000 --> 00:00:08,000\nthree\n>> four\n",
        "a.srt",
    );
    assert_eq!(
        (text(&lesson), warned(&lesson)),
        ("one two three |four".into(), vec![])
    );
    assert_eq!((lesson.words[2].start, lesson.words[3].start), (2.0, 4.0));
}

#[test]
fn encodings() {
    let file = "\u{FEFF}WEBVTT\n\n00:01.000 --> 00:02.000\nläufer";
    let le: Vec<u8> = file.encode_utf16().flat_map(u16::to_le_bytes).collect();
    let be: Vec<u8> = file.encode_utf16().flat_map(u16::to_be_bytes).collect();
    for bytes in [file.as_bytes(), &le, &be] {
        assert_eq!(text(&read(bytes, "a.vtt").unwrap()), "läufer");
    }
    let error = read(b"WEBVTT\n\n00:01.000 --> 00:02.000\nl\xE4ufer", "a.vtt").unwrap_err();
    assert_eq!(
        error,
        TranscriptError::Encoding {
            line: 4,
            column: 2,
            byte: 0xE4
        }
    );
    assert!(
        error.to_string().contains("line 4, column 2")
            && error.to_string().contains("save it as UTF-8")
    );
}

#[test]
fn what_is_no_transcript_is_refused_with_its_reason() {
    let error = |file: &str, name: &str| read(file.as_bytes(), name).unwrap_err();
    assert_eq!(error("", "a.vtt"), TranscriptError::Empty);
    assert_eq!(error(" \r\n\u{A0}", "-"), TranscriptError::Empty);
    assert_eq!(error("e4 e5 and so on.", "-"), TranscriptError::NoTimes);
    for name in ["a.txt", "a.srt", "a.vtt"] {
        assert_eq!(error("e4 e5 and so on.", name), TranscriptError::NoTimes);
    }
    assert_eq!(
        error(
            "WEBVTT\n\n00:01.000 --> 00:02.000\n\n00:03.000 --> 00:04.000\n[Music]\n",
            "-"
        ),
        TranscriptError::NoWords { line: 3 }
    );
    assert_eq!(
        error("0:01\n0:02\n", "-"),
        TranscriptError::NoWords { line: 1 }
    );
    assert_eq!(error("{\"pages\": []}", "-"), TranscriptError::NoSegments);
    assert_eq!(
        error("{\"segments\": []}", "a.json"),
        TranscriptError::NoSegments
    );
    assert_eq!(
        error("[{\"text\": \"e4\"}]", "a.json"),
        TranscriptError::NoTimes
    );
    let broken = error(
        "{\"segments\": [\n  {\"start\": 1,, \"end\": 2}]}",
        "a.json",
    );
    assert_eq!(broken.place(), (Some(2), Some(15)));
    assert!(
        broken
            .to_string()
            .starts_with("line 2, column 15: the JSON is broken"),
        "{broken}"
    );
    assert_eq!(error("[{\"ü\": ,}]", "a.json").place(), (Some(1), Some(8)));
    assert_eq!(
        error("{\"words\": 3}", "a.json"),
        TranscriptError::NoSegments
    );
}

#[test]
fn the_text_outweighs_a_wrong_suffix() {
    let lesson = good("WEBVTT\n\n00:01.000 --> 00:02.000\ne4", "a.srt");
    assert_eq!((text(&lesson), warned(&lesson)), ("e4".into(), vec![1]));
    let headless = good("00:01.000 --> 00:02.000\ne4", "a.vtt");
    assert_eq!((text(&headless), warned(&headless)), ("e4".into(), vec![1]));
}

/// Marsaglia's xorshift with the shifts 13, 7, 17 ("Xorshift RNGs", 2003; from memory).
struct Random(u64);

impl Random {
    fn below(&mut self, most: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 % most.max(1) as u64) as usize
    }
}

#[test]
fn no_bytes_make_a_reader_panic_or_break_its_promises() {
    let json = r#"{"language": "en", "segments": [{"start": 1, "end": 3, "text": " a b", "words": [{"word": " a", "start": 1, "end": 2}, {"word": " b"}]}, {"start": 3.5, "end": 4, "text": "c"}]}"#;
    let srt = "1\n00:00:01,000 --> 00:00:02,000\n- Yes &amp; (laughs)\nANNA: no\n\n2\n00:00:01,500 --> 00:00:04,000\n♪ la ♪ [Music] so\n";
    let txt = "Title: x\n[0:02] one two\n\n1:00 - five [1:05] six\n(1:02:03) seven\n";
    let samples = [ROLLING, srt, txt, json];
    let pieces: [&[u8]; 20] = [
        b"-->",
        b"\n\n",
        b"\r",
        b"<",
        b">",
        b"&",
        b";",
        b"[",
        b"]",
        b"(",
        b"\xC3",
        b"\xEF\xBB\xBF",
        b"\xFF\xFE",
        b":",
        b">>",
        b"00:00:99.999",
        b"99:59:59.999",
        "♪".as_bytes(),
        "é:".as_bytes(),
        b"{\\",
    ];
    let mut random = Random(0x5EED_1234_ABCD);
    let mut read_well = 0;
    for round in 0..12_000 {
        let mut bytes = samples[round % samples.len()].as_bytes().to_vec();
        for _ in 0..1 + random.below(6) {
            let at = random.below(bytes.len());
            match random.below(5) {
                0 => bytes[at] = random.below(256) as u8,
                1 => drop(bytes.splice(at..at, pieces[random.below(pieces.len())].iter().copied())),
                2 => drop(bytes.drain(at..(at + random.below(12)).min(bytes.len()))),
                3 => bytes[at] = b'0' + random.below(10) as u8,
                _ => {
                    let to = (at + random.below(60)).min(bytes.len());
                    let copy = bytes[at..to].to_vec();
                    let into = random.below(bytes.len());
                    drop(bytes.splice(into..into, copy));
                }
            }
            if bytes.is_empty() {
                break;
            }
        }
        let name = ["-", "a.vtt", "a.srt", "a.txt", "a.json"][random.below(5)];
        let Ok(transcript) = read(&bytes, name) else {
            continue;
        };
        read_well += 1;
        let shown = String::from_utf8_lossy(&bytes);
        assert!(
            !transcript.words.is_empty() && transcript.seconds.is_finite(),
            "{shown}"
        );
        for word in &transcript.words {
            assert!(
                word.start.is_finite()
                    && word.start >= 0.0
                    && word.end >= word.start
                    && word.end.is_finite(),
                "{word:?}\n{shown}"
            );
            assert!(word.end <= transcript.seconds, "{word:?}\n{shown}");
            assert!(
                !word.text.is_empty() && !word.text.contains(char::is_whitespace),
                "{word:?}\n{shown}"
            );
        }
        for pair in transcript.words.windows(2) {
            assert!(pair[0].end <= pair[1].start, "{pair:?}\n{shown}");
        }
        let lines = shown.lines().count() + shown.matches('\r').count();
        assert!(
            transcript
                .warnings
                .iter()
                .all(|w| w.line >= 1 && w.line <= lines + 1),
            "{:?}\n{shown}",
            transcript.warnings
        );
    }
    assert!(
        read_well > 3_000,
        "only {read_well} of the files could be read"
    );
}

#[test]
fn long_lines_take_linear_time() {
    for piece in [
        "<", "<a", "<1", "&", "[", "{\\", "a ", ">> ", "♪ ", "A: ", "- ",
    ] {
        for cue in ["WEBVTT\n\n00:01.000 --> 00:02.000\n", "[0:01] "] {
            let file = format!("{cue}{}x", piece.repeat(200_000));
            let begun = std::time::Instant::now();
            let _ = read(file.as_bytes(), "-");
            assert!(
                begun.elapsed().as_secs() < 5,
                "{piece:?} repeated takes {:?}",
                begun.elapsed()
            );
        }
    }
}
