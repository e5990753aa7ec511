//! Lessons with answer keys: build, align, fit, cross-validate and score. A tool for developers.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::{Parser, Subcommand};
use plyscribe::decode::{Model, Options, is_plain};
use plyscribe::export::{file, json};
use plyscribe::grammar::Grammar;
use plyscribe::lesson::{
    Decisions, FitOptions, Layout, Lesson, Row, Source, decide, decode_row, fit, measure, narrate,
    prepare, rows_to_text, score_missing, score_study, trace, transcript_text,
};
use plyscribe::read::Reader;

#[derive(Parser)]
#[command(
    name = "plyscribe-lessons",
    about = "Build, fit and measure on lessons with answer keys"
)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Write the transcript (NAME.vtt, .srt, .txt or .json) and the key (NAME.gold.json) of each lesson, of any language.
    Build {
        /// Folders of *.lesson files.
        #[arg(required = true)]
        folders: Vec<PathBuf>,
        /// Folder to write into; made if it is not there.
        #[arg(short, long)]
        output: PathBuf,
    },
    /// Score studies (NAME.study.json) against keys (NAME.gold.json); a key without a study counts as all missed.
    Score {
        /// Folder of keys.
        gold: PathBuf,
        /// Folder of studies.
        studies: PathBuf,
        /// Print each lesson.
        #[arg(long)]
        each: bool,
    },
    /// How many of the key's moves some event can say.
    Coverage {
        /// Folders of *.lesson files.
        #[arg(required = true)]
        folders: Vec<PathBuf>,
    },
    /// Fit the weights on all lessons and write the file.
    Fit {
        /// Folders of *.lesson files.
        #[arg(required = true)]
        folders: Vec<PathBuf>,
        /// Weights file to write.
        #[arg(long, default_value = "grammars/en.weights")]
        output: PathBuf,
        #[command(flatten)]
        fitting: Fitting,
    },
    /// Write the first narrations told by rule as *.lesson files.
    Narrate {
        /// How many.
        #[arg(long, default_value_t = 100)]
        count: u64,
        /// Folder to write into; made if it is not there.
        #[arg(short, long)]
        output: PathBuf,
    },
    /// Write what the built-in model does event by event for each lesson.
    Trace {
        /// Folders of *.lesson files.
        #[arg(required = true)]
        folders: Vec<PathBuf>,
        /// Folder to write into.
        #[arg(long)]
        output: PathBuf,
        /// Beam.
        #[arg(long, default_value_t = Options::default().beam)]
        beam: usize,
    },
    /// Fit on all folds but one, measure on that one, for each fold; or fit on all and measure on other lessons.
    Cross {
        /// Folders of *.lesson files.
        #[arg(required = true)]
        folders: Vec<PathBuf>,
        /// Number of folds.
        #[arg(long, default_value_t = 4)]
        folds: usize,
        /// Fit on all lessons once and measure on the lessons of this folder instead.
        #[arg(long)]
        test: Vec<PathBuf>,
        /// Print each lesson.
        #[arg(long)]
        each: bool,
        /// Write what was done event by event for each lesson into this folder.
        #[arg(long)]
        trace: Option<PathBuf>,
        #[command(flatten)]
        fitting: Fitting,
    },
}

#[derive(clap::Args, Clone, Copy)]
struct Fitting {
    /// Steps of the descent.
    #[arg(long, default_value_t = FitOptions::default().steps)]
    steps: usize,
    /// Penalty on the weights of moves and of passing over.
    #[arg(long, default_value_t = FitOptions::default().moves)]
    moves: f32,
    /// Penalty on the weights of places.
    #[arg(long, default_value_t = FitOptions::default().places)]
    places: f32,
    /// Penalty on the weights of words.
    #[arg(long, default_value_t = FitOptions::default().words)]
    words: f32,
    /// How much likelier than none a move must be.
    #[arg(long, default_value_t = FitOptions::default().prudence)]
    prudence: f32,
    /// Narrations told by rule among the lessons fitted on.
    #[arg(long, default_value_t = 100)]
    narrations: u64,
    /// Narrations on which only what plain lessons have of their own is fitted.
    #[arg(long, default_value_t = 1500)]
    plain: usize,
    /// Beam of the measure.
    #[arg(long, default_value_t = Options::default().beam)]
    beam: usize,
}

/// Narrations to fit on have seeds from here, those to measure on from 0.
const SEEDS: u64 = 1_000_000;

impl Fitting {
    /// The narrations to fit on.
    fn narrations(self, grammar: &Grammar) -> Vec<Lesson> {
        (SEEDS..SEEDS + self.narrations + self.plain as u64)
            .map(|seed| prepare(narrate(seed).source(), grammar))
            .collect()
    }

    fn options(self) -> FitOptions {
        FitOptions {
            steps: self.steps,
            moves: self.moves,
            places: self.places,
            words: self.words,
            prudence: self.prudence,
            plain_only: self.plain,
            ..FitOptions::default()
        }
    }
}

fn files(folders: &[PathBuf]) -> Result<Vec<PathBuf>, String> {
    let mut out = Vec::new();
    for folder in folders {
        let entries =
            std::fs::read_dir(folder).map_err(|e| format!("{}: {e}", folder.display()))?;
        for entry in entries {
            let path = entry.map_err(|e| e.to_string())?.path();
            if path.extension().is_some_and(|e| e == "lesson") {
                out.push(path);
            }
        }
    }
    out.sort_by_key(|p| p.file_name().map(std::ffi::OsStr::to_owned));
    if out.is_empty() {
        Err("no *.lesson files there".into())
    } else {
        Ok(out)
    }
}

fn source(path: &Path) -> Result<Source, String> {
    let text = std::fs::read_to_string(path).map_err(|e| format!("{}: {e}", path.display()))?;
    let name = path
        .file_stem()
        .map_or_else(String::new, |s| s.to_string_lossy().into_owned());
    Source::parse(&name, &text).map_err(|e| e.to_string())
}

fn lessons(folders: &[PathBuf], grammar: &Grammar) -> Result<Vec<Lesson>, String> {
    let mut out = Vec::new();
    for path in files(folders)? {
        let source = source(&path)?;
        if source.language() == grammar.language() {
            out.push(prepare(source, grammar));
        }
    }
    Ok(out)
}

fn build(folders: &[PathBuf], output: &Path) -> Result<(), String> {
    std::fs::create_dir_all(output).map_err(|e| format!("{}: {e}", output.display()))?;
    let paths = files(folders)?;
    if let Some(pair) = paths
        .windows(2)
        .find(|p| p[0].file_name() == p[1].file_name())
    {
        return Err(format!(
            "{} and {} have the same name",
            pair[0].display(),
            pair[1].display()
        ));
    }
    for path in &paths {
        let lesson = source(path)?;
        let format = lesson.meta.get("format").map_or("vtt", String::as_str);
        let layout = Layout::of_name(format).ok_or_else(|| {
            format!(
                "{}: no transcript format is called `{format}`",
                path.display()
            )
        })?;
        let (suffix, transcript) = transcript_text(&lesson.transcript().0, layout);
        let key = serde_json::to_string_pretty(&lesson.gold())
            .map_err(|e| format!("{}: {e}", path.display()))?;
        for (suffix, text) in [(suffix, transcript), ("gold.json", key + "\n")] {
            file::write(&output.join(format!("{}.{suffix}", lesson.name)), &text)
                .map_err(|e| e.to_string())?;
        }
    }
    println!("{} lessons built in {}", paths.len(), output.display());
    Ok(())
}

fn score(gold: &Path, studies: &Path, each: bool) -> Result<(), String> {
    let read =
        |path: &Path| std::fs::read_to_string(path).map_err(|e| format!("{}: {e}", path.display()));
    let mut names = Vec::new();
    for entry in std::fs::read_dir(gold).map_err(|e| format!("{}: {e}", gold.display()))? {
        let name = entry.map_err(|e| e.to_string())?.file_name();
        names.extend(
            name.to_str()
                .and_then(|n| n.strip_suffix(".gold.json"))
                .map(str::to_owned),
        );
    }
    names.sort();
    if names.is_empty() {
        return Err(format!("{}: no *.gold.json files there", gold.display()));
    }
    if !studies.is_dir() {
        return Err(format!("{}: no such folder", studies.display()));
    }
    let mut rows = Vec::new();
    for name in &names {
        let key = gold.join(format!("{name}.gold.json"));
        let path = studies.join(format!("{name}.study.json"));
        let place = |e: &dyn std::fmt::Display| format!("{}: {e}", path.display());
        let text = read(&key)?;
        rows.push(if path.exists() {
            let study = json::from_str(&read(&path)?).map_err(|e| place(&e))?;
            score_study(&text, &study).map_err(|e| place(&e))?
        } else {
            eprintln!("{name}: no study");
            score_missing(&text).map_err(|e| format!("{}: {e}", key.display()))?
        });
    }
    print!("{}", rows_to_text(&rows, each));
    Ok(())
}

/// Fits on some lessons and measures on others.
fn unseen(
    train: &[&Lesson],
    held: &[&Lesson],
    fitting: Fitting,
    traces: Option<&Path>,
) -> Result<Vec<Row>, String> {
    let grammar = Grammar::english();
    let model = fit(train, &grammar, fitting.options(), |line| {
        eprintln!("{line}")
    });
    let options = Options::of_beam(fitting.beam);
    let mut decisions = Decisions::default();
    for lesson in held {
        decisions += decide(lesson, &grammar, &model);
        if let Some(folder) = traces {
            let path = folder.join(format!("{}.trace", lesson.source.name));
            std::fs::write(&path, trace(lesson, &grammar, &model, options))
                .map_err(|e| format!("{}: {e}", path.display()))?;
        }
    }
    eprintln!("held out: {decisions}");
    let reader = Reader {
        grammar,
        model,
        options,
    };
    if fitting.narrations > 0 {
        let rows = (0..100)
            .map(|seed| measure(&reader, &narrate(seed).source()))
            .collect::<Result<Vec<Row>, String>>()?;
        let same = rows.iter().filter(|r| r.found == r.need && r.extra == 0);
        eprintln!(
            "narrations: {} of {} trees the same; {}",
            same.count(),
            rows.len(),
            rows_to_text(&rows, false)
                .lines()
                .last()
                .unwrap_or_default()
        );
    }
    held.iter().map(|l| measure(&reader, &l.source)).collect()
}

fn run() -> Result<(), String> {
    let grammar = Grammar::english();
    match Arguments::parse().command {
        Command::Build { folders, output } => build(&folders, &output)?,
        Command::Score {
            gold,
            studies,
            each,
        } => score(&gold, &studies, each)?,
        Command::Coverage { folders } => {
            let (mut moves, mut lost, mut events) = (0, 0, 0);
            for lesson in lessons(&folders, &grammar)? {
                let n: usize = lesson.source.mentions.iter().map(|m| m.moves.len()).sum();
                moves += n;
                lost += lesson.uncovered.len();
                events += lesson.speech.events.len();
                println!(
                    "{:44} {n} moves, {} events, clarity {:.2}, plain {}, not heard {}: {}",
                    lesson.source.name,
                    lesson.speech.events.len(),
                    lesson.speech.clarity,
                    is_plain(&lesson.speech),
                    lesson.uncovered.len(),
                    lesson.uncovered.join(" | ")
                );
            }
            println!("ALL {moves} moves, {events} events, not heard {lost}");
        }
        Command::Fit {
            folders,
            output,
            fitting,
        } => {
            let mut all = lessons(&folders, &grammar)?;
            all.extend(fitting.narrations(&grammar));
            let model = fit(
                &all.iter().collect::<Vec<_>>(),
                &grammar,
                fitting.options(),
                |line| eprintln!("{line}"),
            );
            let heading = format!(
                "Weights fitted on {} lessons by `plyscribe-lessons fit`; see DEVELOPERS.md.",
                all.len()
            );
            std::fs::write(&output, model.to_text(&heading))
                .map_err(|e| format!("{}: {e}", output.display()))?;
        }
        Command::Narrate { count, output } => {
            std::fs::create_dir_all(&output).map_err(|e| format!("{}: {e}", output.display()))?;
            for seed in 0..count {
                let text = narrate(seed).lesson();
                file::write(&output.join(format!("narration-{seed}.lesson")), &text)
                    .map_err(|e| e.to_string())?;
            }
        }
        Command::Trace {
            folders,
            output,
            beam,
        } => {
            let model = Model::built_in();
            let options = Options::of_beam(beam);
            let mut rows = Vec::new();
            for lesson in lessons(&folders, &grammar)? {
                rows.push(decode_row(&lesson, &grammar, &model, options));
                let path = output.join(format!("{}.trace", lesson.source.name));
                let text = trace(&lesson, &grammar, &model, options);
                std::fs::write(&path, text).map_err(|e| format!("{}: {e}", path.display()))?;
            }
            print!("{}", rows_to_text(&rows, false));
        }
        Command::Cross {
            folders,
            folds,
            test,
            each,
            trace,
            fitting,
        } => {
            let all = lessons(&folders, &grammar)?;
            let told = fitting.narrations(&grammar);
            let others = if test.is_empty() {
                Vec::new()
            } else {
                lessons(&test, &grammar)?
            };
            let mut splits: Vec<(Vec<&Lesson>, Vec<&Lesson>)> = if test.is_empty() {
                let part = |fold, held| -> Vec<&Lesson> {
                    all.iter()
                        .enumerate()
                        .filter(move |(i, _)| (i % folds == fold) == held)
                        .map(|(_, l)| l)
                        .collect()
                };
                (0..folds)
                    .map(|fold| (part(fold, false), part(fold, true)))
                    .collect()
            } else {
                vec![(all.iter().collect(), others.iter().collect())]
            };
            for (train, _) in &mut splits {
                train.extend(&told);
            }
            let mut rows: Vec<Row> = Vec::new();
            for pair in splits.chunks(2) {
                let traces = trace.as_deref();
                let results: Vec<Result<Vec<Row>, String>> = std::thread::scope(|scope| {
                    let handles: Vec<_> = pair
                        .iter()
                        .map(|(train, held)| {
                            scope.spawn(move || unseen(train, held, fitting, traces))
                        })
                        .collect();
                    handles
                        .into_iter()
                        .map(|h| h.join().unwrap_or_else(|_| Err("a fold failed".into())))
                        .collect()
                });
                for result in results {
                    rows.extend(result?);
                }
            }
            rows.sort_by(|a, b| a.name.cmp(&b.name));
            print!("{}", rows_to_text(&rows, each));
        }
    }
    Ok(())
}

fn main() -> ExitCode {
    match run() {
        Ok(()) => ExitCode::SUCCESS,
        Err(message) => {
            eprintln!("plyscribe-lessons: {message}");
            ExitCode::from(2)
        }
    }
}
