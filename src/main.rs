//! The `plyscribe` program: arguments in, library calls, results out.

use std::io::Read;
use std::path::PathBuf;
use std::process::ExitCode;

use clap::{Parser, Subcommand};
use plyscribe::export::{file, json, pgn};
use plyscribe::read::{Reader, StartChoice};
use plyscribe::transcript;
use shakmaty::fen::Fen;
use shakmaty::{CastlingMode, Chess};

#[derive(Parser)]
#[command(name = "plyscribe", version, about = "Makes an annotated study out of the transcript of a spoken chess lesson")]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Rebuild the variation tree of a lesson; prints the PGN study unless --pgn says where to write it.
    Align {
        /// The transcript (WebVTT, SRT, [m:ss] text or JSON segments); `-` is standard input.
        lesson: PathBuf,
        /// Write the PGN study here.
        #[arg(long, value_name = "FILE")]
        pgn: Option<PathBuf>,
        /// Write the study as JSON here.
        #[arg(long, value_name = "FILE")]
        json: Option<PathBuf>,
        /// How times stand in PGN comments: commands, plain or none.
        #[arg(long, value_enum, default_value_t = TimesArgument::Commands)]
        times: TimesArgument,
        #[command(flatten)]
        common: Common,
    },
}

#[derive(clap::Args)]
struct Common {
    /// Language of the narration.
    #[arg(long, default_value = "auto")]
    language: String,
    /// Where a board of the lesson starts: a FEN, `standard`, or `said`. Once for each board, in order.
    #[arg(long, value_name = "START")]
    start: Vec<String>,
}

#[derive(Clone, Copy, clap::ValueEnum)]
enum TimesArgument {
    Commands,
    Plain,
    None,
}

fn load(path: &PathBuf) -> Result<(transcript::Transcript, String), String> {
    let mut bytes = Vec::new();
    let name = if path.as_os_str() == "-" {
        std::io::stdin().read_to_end(&mut bytes).map_err(|e| format!("standard input: {e}"))?;
        "-".to_owned()
    } else {
        bytes = std::fs::read(path).map_err(|e| format!("{}: {e}", path.display()))?;
        path.file_name().map_or_else(|| "lesson".to_owned(), |n| n.to_string_lossy().into_owned())
    };
    let transcript = transcript::read(&bytes, &name).map_err(|e| format!("{}: {e}", path.display()))?;
    Ok((transcript, name))
}

fn starts(list: &[String]) -> Result<Vec<StartChoice>, String> {
    list.iter()
        .map(|text| match text.as_str() {
            "standard" => Ok(StartChoice::Standard),
            "said" => Ok(StartChoice::Said),
            fen => {
                let setup: Fen = fen.parse().map_err(|e| format!("--start {fen}: {e}"))?;
                let position: Chess = setup.into_position(CastlingMode::Standard).map_err(|e| format!("--start {fen}: {e}"))?;
                Ok(StartChoice::Position(Box::new(position)))
            }
        })
        .collect()
}

fn run() -> Result<(), String> {
    match Arguments::parse().command {
        Command::Align { lesson, pgn: pgn_file, json: json_file, times, common } => {
            if !matches!(common.language.as_str(), "en" | "auto") {
                return Err(format!("--language {}: only en is there yet", common.language));
            }
            let starts = starts(&common.start)?;
            let (transcript, name) = load(&lesson)?;
            for w in &transcript.warnings {
                eprintln!("{}, line {}: {}", lesson.display(), w.line, w.message);
            }
            let title = transcript.title.clone().unwrap_or_else(|| name.clone());
            let study = Reader::english().study(&transcript, &starts, &title, &name);
            let times = match times {
                TimesArgument::Commands => pgn::Times::Commands,
                TimesArgument::Plain => pgn::Times::Plain,
                TimesArgument::None => pgn::Times::None,
            };
            let text = pgn::to_string(&study, times).map_err(|e| e.to_string())?;
            if let Some(path) = &json_file {
                file::write(path, &json::to_string(&study).map_err(|e| e.to_string())?).map_err(|e| e.to_string())?;
            }
            match &pgn_file {
                Some(path) => file::write(path, &text).map_err(|e| e.to_string())?,
                None => print!("{text}"),
            }
        }
    }
    Ok(())
}

fn main() -> ExitCode {
    match run() {
        Ok(()) => ExitCode::SUCCESS,
        Err(message) => {
            eprintln!("plyscribe: {message}");
            ExitCode::from(2)
        }
    }
}
