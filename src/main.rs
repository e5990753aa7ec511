//! The `plyscribe` program: arguments in, library calls, results out.

use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;

use clap::{Parser, Subcommand};
use plyscribe::command::{self, CommandError, Lesson, Outputs};
use plyscribe::explain;
use plyscribe::export::pgn::Times;
use plyscribe::read::StartChoice;

/// Makes an annotated study out of the timed transcript of a spoken chess lesson.
#[derive(Parser)]
#[command(
    name = "plyscribe",
    version,
    subcommand_required = true,
    arg_required_else_help = true,
    after_help = "Exit codes: 0 done, 2 bad usage or input (nothing is written then)."
)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Rebuild the variation tree of a lesson.
    ///
    /// Prints the PGN study, unless --pgn says where to write it. What could not be played as it was said goes to
    /// standard error, a line each.
    Align {
        #[command(flatten)]
        common: Common,
        /// Write the PGN study here instead of printing it.
        #[arg(long, value_name = "FILE")]
        pgn: Option<PathBuf>,
        /// Write the study as JSON here.
        #[arg(long, value_name = "FILE")]
        json: Option<PathBuf>,
        /// How PGN comments tell the second of the recording.
        #[arg(long, value_enum, default_value_t = TimesArgument::Commands)]
        times: TimesArgument,
        /// Title of the study [default: the transcript's own, else its file name].
        #[arg(long, value_name = "TEXT")]
        title: Option<String>,
    },
    /// Show why the words at a time were read as they were.
    ///
    /// Prints the position on the board, the words near that time that may be moves, what each was read as, and what
    /// else it might have been, with scores (higher is likelier) and what they come from.
    Explain {
        #[command(flatten)]
        common: Common,
        /// The time: seconds, m:ss or h:mm:ss.
        #[arg(long, value_name = "TIME")]
        at: String,
    },
}

#[derive(clap::Args)]
struct Common {
    /// The transcript: WebVTT, SRT, text with [m:ss] times, or JSON segments; `-` is standard input.
    lesson: PathBuf,
    /// Language of the narration: `en`, or `auto` (what the transcript says, else English).
    #[arg(long, default_value = "auto", value_name = "CODE")]
    language: String,
    /// Where a board of the lesson starts: `standard` or a FEN. Once for each board, in order.
    #[arg(long, value_name = "START")]
    start: Vec<String>,
}

#[derive(Clone, Copy, clap::ValueEnum)]
enum TimesArgument {
    /// As commands: `[%said 0:02:11.4]`.
    Commands,
    /// For people: `(2:11)`.
    Plain,
    /// Not at all.
    None,
}

/// Says something on standard error. If that is closed, there is no one to tell.
fn say(text: &str) {
    let _ = std::io::stderr().lock().write_all(text.as_bytes());
}

fn open(common: &Common) -> Result<(Lesson, Vec<StartChoice>), CommandError> {
    let starts = command::starts(&common.start)?;
    let lesson = Lesson::read(&common.lesson)?;
    for warning in lesson.warnings() {
        say(&format!("{warning}\n"));
    }
    if starts
        .iter()
        .any(|start| matches!(start, StartChoice::Said))
    {
        say(
            "--start said: set-ups spoken aloud can't be read yet; the standard position is taken instead\n",
        );
    }
    Ok((lesson, starts))
}

fn run(command: Command) -> Result<(), CommandError> {
    match command {
        Command::Align {
            common,
            pgn,
            json,
            times,
            title,
        } => {
            let (lesson, starts) = open(&common)?;
            let reader = command::reader(&common.language, &lesson)?;
            let study = reader.study(
                &lesson.transcript,
                &starts,
                &lesson.title(title.as_deref()),
                &lesson.name,
            );
            let times = match times {
                TimesArgument::Commands => Times::Commands,
                TimesArgument::Plain => Times::Plain,
                TimesArgument::None => Times::None,
            };
            Outputs { pgn, json, times }.write(&study)?;
            say(&command::remarks(&study));
        }
        Command::Explain { common, at } => {
            let (lesson, starts) = open(&common)?;
            let reader = command::reader(&common.language, &lesson)?;
            let at = lesson.time(&at)?;
            command::print(
                &explain::explain(&reader, &lesson.transcript, &starts, at).to_text(100),
            )?;
        }
    }
    Ok(())
}

fn main() -> ExitCode {
    match run(Arguments::parse().command) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            say(&format!("plyscribe: {error}\n"));
            ExitCode::from(2)
        }
    }
}
