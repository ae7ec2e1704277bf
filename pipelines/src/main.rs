//! The `phasemill` program: arguments, printing and exit codes. It computes nothing itself.

mod chart;
mod commands;
mod compared;
mod figures;
mod graph;
mod planning;
mod plot;
mod progress;
mod recovered;
mod report;
mod sketch;
mod survey;

use std::process::ExitCode;

use clap::{CommandFactory, Parser, Subcommand};

/// Exit codes, as documented in the README.
pub mod exit {
    /// Done.
    pub const DONE: u8 = 0;
    /// The recipe, the wiring or the command line is rejected, or a file is not of the kind that is wanted; nothing was
    /// done.
    pub const REJECTED: u8 = 1;
    /// Some recordings, points or results failed, differ, or were left out; the others are done.
    pub const FAILED: u8 = 2;
    /// Stopped by the user; nothing was written.
    pub const STOPPED: u8 = 130;
}

#[derive(Parser)]
#[command(
    name = "phasemill",
    version,
    about = "Recovers weak periodic signals from recordings, by a recipe that is checked before it runs",
    after_help = "Exit codes: 0 done; 1 rejected: recipe, wiring, command line, or a file that is no result file where\n\
                  one is wanted; 2 some recordings, points or results failed, differ, or were left out; 130 stopped.\n\
                  The program computes numbers and controls nothing; its output is no safety assessment."
)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Check a recipe, alone or against recordings, without reading samples
    #[command(after_help = "Example: phasemill check chopped-light.ron sweep.h5\n\n\
                      Exit codes: 0 accepted, 1 rejected, 2 a recording cannot be read")]
    Check(commands::check::Arguments),
    /// Run a recipe over recordings
    #[command(
        after_help = "Example: phasemill run chopped-light.ron sweep.h5 --out results.h5 --csv results.csv\n\n\
                      Exit codes: 0 done, 1 rejected, 2 some recordings or points failed, 130 stopped"
    )]
    Run(commands::run::Arguments),
    /// Show what a cache of intermediate results holds, or clear it
    #[command(
        after_help = "Example: phasemill run recipe.ron sweep.h5 --out results.h5 --cache kept\n\
                      Example: phasemill cache kept --limit \"500 MB\"\n\n\
                      Entries are checked when they are read; the folder may be deleted at any moment."
    )]
    Cache(commands::cache::Arguments),
    /// Compare filter chains, at once over the same recordings: noise, settling time, and whether they agree
    #[command(
        after_help = "Example: phasemill compare chopped-light.ron sweep.h5 --largest-settling \"1 s\"\n\
                      Example: phasemill compare one.ron another.ron sweep.h5 --out compared.h5\n\n\
                      One recipe is compared with the `alternatives` it holds; several recipes with the first of them.\n\
                      Exit codes: 0 done, 1 rejected, 2 some recordings or points failed, 130 stopped"
    )]
    Compare(Box<commands::compare::Arguments>),
    /// Add known tones to the recorded samples and see whether the recipe gives them back
    #[command(
        after_help = "Example: phasemill challenge chopped-light.ron sweep.h5 --amplitude \"1 nA\" --through \"1e8 V/A\" --as step\n\
                      Exit codes: 0 passed, 1 rejected, 2 not passed or a recording failed, 130 stopped"
    )]
    Challenge(Box<commands::challenge::Arguments>),
    /// Show where an output came from, back to the samples
    #[command(after_help = "Example: phasemill trace results.h5 'answer[17]'\n\
                            Example: phasemill trace results.h5 answer --methods\n\n\
                            Exit codes: 0 done, 1 no result file, no such output")]
    Trace(commands::trace::Arguments),
    /// Compute a result file or a crate again from recipe and recordings, and compare bit by bit
    #[command(after_help = "Example: phasemill verify results.h5 --in /archive\n\
                      Example: phasemill verify 'results.h5:answer[17]' --quick\n\n\
                      Exit codes: 0 all identical, 1 no result file, 2 something differs or cannot be checked, 130 stopped")]
    Verify(commands::verify::Arguments),
    /// Explain why an output of one result file differs from that of another
    #[command(
        after_help = "Example: phasemill differ monday.h5:answer[3] tuesday.h5\n\
                      Example: phasemill differ sweep.h5:answer[3] sweep.h5:answer[4]\n\n\
                      Exit codes: 0 told, 1 no result file, no such output, 2 a number could not be computed again, 130 stopped"
    )]
    Differ(commands::differ::Arguments),
    /// Sign the record of a result file with an SSH key
    #[command(
        after_help = "Example: phasemill sign results.h5 --key ~/.ssh/id_ed25519\n\n\
                      What is signed is the text of the dataset /provenance/seal, which `sign --message` prints, in\n\
                      the namespace phasemill-run. The stock tool alone checks it, given that text on its input:\n  \
                      ssh-keygen -Y verify -n phasemill-run -I NAME -f SIGNERS -s results.h5.sig"
    )]
    Sign(commands::sign::Arguments),
    /// Ask the results of a whole lab: what used what, what no longer holds, where a number came from
    #[command(after_help = "Example: phasemill catalogue add results/\n\n\
                      Exit codes: 0 done, 1 rejected, 2 some files could not be read or some results not be made again, 130 stopped")]
    Catalogue(commands::catalogue::Arguments),
    /// Export results by open standards: lineage as W3C PROV, the whole run as an RO-Crate
    #[command(
        after_help = "Example: phasemill export answers.h5 --crate for-the-archive --include-recordings\n\n\
                      Exit codes: 0 done, 1 no result file, or nothing could be written"
    )]
    Export(commands::export::Arguments),
    /// Write results as a page (HTML) that a colleague can read, or many of them as pages with an index
    #[command(
        after_help = "Example: phasemill report answers.h5 --out answers.html --plots plots\n\
                      Example: phasemill report results/ --out pages --in /archive\n\n\
                      A page is one file that needs no network. Exit codes: 0 done, 1 rejected, 2 some results were left out"
    )]
    Report(commands::report::Arguments),
    /// Show what a recording holds: datasets, ranges, references; noise and lines on request
    #[command(after_help = "Example: phasemill inspect sweep.h5\n\
                      Example: phasemill inspect sweep.h5 --spectrum --plot sweep.svg --bench bench.ron\n\n\
                      Exit codes: 0 done, 1 rejected, 2 a recording cannot be read")]
    Inspect(commands::inspect::Arguments),
    /// Show the stages that recipes may use, or one of them
    #[command(after_help = "Example: phasemill stages Filter")]
    Stages(commands::stages::Arguments),
    /// Before a measurement: noise budget, where to modulate, how long to average, what can be detected
    #[command(
        after_help = "Example: phasemill expect bench.ron recipe.ron --at 173Hz --time \"10 s\"\n\
                      It computes from what the bench states; that lamps, lasers, mains and high voltage are safe, it cannot say."
    )]
    Expect(commands::expect::Arguments),
    /// Explain the code of a message, or list all codes
    #[command(after_help = "Example: phasemill explain folding")]
    Explain(commands::explain::Arguments),
    /// Write a commented recipe, or a bench, to start from
    #[command(
        after_help = "Example: phasemill new my-recipe.ron\n         phasemill new --bench my-bench.ron"
    )]
    New(commands::new::Arguments),
    /// Print completions for a shell
    #[command(after_help = "Example: phasemill completions bash > phasemill.bash")]
    Completions {
        /// The shell
        shell: clap_complete::Shell,
    },
}

fn main() -> ExitCode {
    let arguments = match Arguments::try_parse() {
        Ok(arguments) => arguments,
        Err(error) => {
            let code = if error.use_stderr() {
                exit::REJECTED
            } else {
                exit::DONE
            };
            // Nothing is left to be done when the message itself cannot be printed.
            let _ = error.print();
            return ExitCode::from(code);
        }
    };
    let code = match arguments.command {
        Command::Check(a) => commands::check::run(&a),
        Command::Run(a) => commands::run::run(a),
        Command::Cache(a) => commands::cache::run(&a),
        Command::Compare(a) => commands::compare::run(&a),
        Command::Challenge(a) => commands::challenge::run(&a),
        Command::Trace(a) => commands::trace::run(&a),
        Command::Differ(a) => commands::differ::run(&a),
        Command::Sign(a) => commands::sign::run(&a),
        Command::Verify(a) => commands::verify::run(&a),
        Command::Catalogue(a) => commands::catalogue::run(&a),
        Command::Export(a) => commands::export::run(&a),
        Command::Report(a) => commands::report::run(&a),
        Command::Inspect(a) => commands::inspect::run(&a),
        Command::Stages(a) => commands::stages::run(&a),
        Command::Expect(a) => commands::expect::run(&a),
        Command::Explain(a) => commands::explain::run(&a),
        Command::New(a) => commands::new::run(&a),
        Command::Completions { shell } => {
            let mut text = Vec::new();
            clap_complete::generate(shell, &mut Arguments::command(), "phasemill", &mut text);
            commands::say(String::from_utf8_lossy(&text).trim_end());
            exit::DONE
        }
    };
    ExitCode::from(code)
}
