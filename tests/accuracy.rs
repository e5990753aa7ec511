//! A guard against regressions: the English lessons of `tests/lessons`, read as a user's transcripts, must come out no
//! worse than they did.
//!
//! The built-in model was fitted on these lessons, so the figures here are no estimate of how well new
//! lessons are read; DEVELOPERS.md tells how that is measured. `cargo test --test accuracy -- --nocapture` prints them.
//!
//! Groups: `a` openings told move by move, `b` the same as a recogniser hears them, `c` positions that are set up or
//! given, `d` games and stories, `e` announcing names, radio spelling, descriptive names and slips, `r` lessons modelled on how people talk.

use std::path::Path;

use plyscribe::lesson::{Figures, Row, Source, group_of, rows_to_text};
use plyscribe::read::Reader;

/// Least figures of a group of lessons.
struct Floor {
    group: &'static str,
    f1: f64,
    board: f64,
    main: f64,
    time: f64,
}

/// Measured less 0.02.
const FLOORS: [Floor; 7] = [
    // group, F1, board, main, time
    floor("a", 0.834, 0.703, 0.325, 0.959),
    floor("b", 0.569, 0.490, 0.151, 0.965),
    floor("c", 0.000, 0.000, 0.000, 0.000),
    floor("d", 0.518, 0.441, 0.067, 0.972),
    floor("e", 0.549, 0.419, 0.126, 0.910),
    floor("g", 0.815, 0.685, 0.215, 0.966),
    floor("r", 0.653, 0.533, 0.346, 0.966),
];

const fn floor(group: &'static str, f1: f64, board: f64, main: f64, time: f64) -> Floor {
    Floor {
        group,
        f1,
        board,
        main,
        time,
    }
}

/// The row of a lesson that goes the whole way from text to study; `None` if it is in another language.
fn measure(reader: &Reader, path: &Path) -> Option<Row> {
    let name = path
        .file_stem()
        .expect("a file")
        .to_string_lossy()
        .into_owned();
    let text = std::fs::read_to_string(path).expect("a lesson");
    let lesson = Source::parse(&name, &text).unwrap_or_else(|e| panic!("{e}"));
    if lesson.language() != "en" {
        return None;
    }
    Some(plyscribe::lesson::measure(reader, &lesson).unwrap_or_else(|e| panic!("{e}")))
}

#[test]
fn lessons_are_read_no_worse_than_before() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/lessons");
    let entries = std::fs::read_dir(&folder).expect("tests/lessons");
    let mut paths: Vec<_> = entries.map(|e| e.expect("tests/lessons").path()).collect();
    paths.retain(|p| p.extension().is_some_and(|e| e == "lesson"));
    paths.sort();
    let reader = &Reader::english();
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    let mut rows: Vec<Row> = std::thread::scope(|scope| {
        let paths = &paths;
        let work = |t| {
            let share = paths.iter().skip(t).step_by(threads);
            scope.spawn(move || share.filter_map(|p| measure(reader, p)).collect::<Vec<_>>())
        };
        let handles: Vec<_> = (0..threads).map(work).collect();
        handles
            .into_iter()
            .flat_map(|h| h.join().expect("a lesson"))
            .collect()
    });
    rows.sort_by(|a, b| a.name.cmp(&b.name));
    print!("{}", rows_to_text(&rows, true));

    assert!(
        rows.len() >= 160,
        "only {} English lessons are left",
        rows.len()
    );
    let mut faults = Vec::new();
    if let Some(row) = rows
        .iter()
        .find(|r| FLOORS.iter().all(|f| f.group != group_of(&r.name)))
    {
        faults.push(format!("no floor for the group of {}", row.name));
    }
    for floor in &FLOORS {
        let figures = Figures::of(rows.iter().filter(|r| group_of(&r.name) == floor.group));
        for (name, is, least) in [
            ("F1", figures.f1, floor.f1),
            ("board", figures.board, floor.board),
            ("main", figures.main, floor.main),
            ("time", figures.time, floor.time),
        ] {
            // A share of nothing, such as the time of moves when none was found, is no share.
            let is = if is.is_nan() { 0.0 } else { is };
            if is < least {
                faults.push(format!(
                    "group {}: {name} {is:.3}, at least {least:.3} before",
                    floor.group
                ));
            }
        }
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}
