//! `phasemill challenge`: known tones are added to the recorded samples, and what comes back is compared.

use std::path::PathBuf;

use clap::ValueEnum;
use phasemill_engine::challenge::{
    ChallengeError, Follow, Options, Request, Shape, ToneText, Words, run as challenge,
};
use phasemill_engine::session::group;
use phasemill_engine::units::{Quantity, Unit};
use serde_json::json;

use super::{Texts, complain, counted, named_file, say, show, stopped_by_ctrl_c};
use crate::{exit, progress, recovered};

/// Arguments of `challenge`.
#[derive(clap::Args)]
pub struct Arguments {
    #[command(flatten)]
    texts: Texts,
    /// The recordings; they are read only, and tones are added to what is read
    #[arg(required = true)]
    recordings: Vec<PathBuf>,
    /// A further recording that the recipe names
    #[arg(long, value_name = "NAME=FILE", value_parser = named_file)]
    with: Vec<(String, PathBuf)>,
    /// The result to challenge, one with in-phase and quadrature part; by default the first that is kept
    #[arg(long, value_name = "FLOW")]
    result: Option<String>,
    /// The channel that gets the tones, where the result is made of several
    #[arg(long, value_name = "CHANNEL")]
    into: Option<String>,
    /// What the tones follow: a reference of the recipe, or a stage such as `Reference(of: "chopper",
    /// shape: Square())`; by default the recipe's own reference, jitter and all
    #[arg(long, value_name = "STAGE", conflicts_with = "frequency")]
    follow: Option<String>,
    /// The tones have this frequency, whatever the recipe's reference does
    #[arg(long, value_name = "FREQUENCY", value_parser = quantity)]
    frequency: Option<Quantity>,
    /// Harmonic of what the tones follow, as `2` or `1/2`; by default the one that the recipe looks at
    #[arg(long, value_name = "N/M", value_parser = harmonic)]
    harmonic: Option<(u32, u32)>,
    /// How large a tone is, in the unit of the result or of the channel; may be given several times. By
    /// default 10, 100 and 1000 times the result's standard uncertainty
    #[arg(long, value_name = "AMPLITUDE", value_parser = quantity)]
    amplitude: Vec<Quantity>,
    /// How the amplitude is stated: peak or rms of a sine, full step of a quantity that is chopped for
    /// equal times, or a square between plus and minus the amplitude; by default as the recipe states the
    /// result's
    #[arg(long = "as", value_name = "HOW", hide_possible_values = true)]
    stated_as: Option<StatedAs>,
    /// What leads from the result's unit to the channel's, as a quantity such as `1e8 V/A` or the name of
    /// a constant; by default the one constant of the recipe that fits
    #[arg(long, value_name = "RESPONSE")]
    through: Option<String>,
    /// Phase of a tone; may be given several times
    #[arg(long, value_name = "PHASE", value_parser = quantity, allow_hyphen_values = true)]
    phase: Vec<Quantity>,
    /// Points to challenge, counted from 0, as `0,5,9`; by default five at most, evenly spread
    #[arg(long, value_name = "POINTS", value_delimiter = ',')]
    points: Vec<usize>,
    /// Part of a tone that may be lost
    #[arg(long, value_name = "PART", default_value = "0.1 %", value_parser = quantity)]
    tolerance: Quantity,
    /// Judge amplitudes only, for a recipe that turns phases on purpose
    #[arg(long)]
    any_phase: bool,
    /// Threads; 0 means one per core; what is found is the same
    #[arg(long, default_value_t = 0, value_name = "N")]
    threads: usize,
    /// Print everything as JSON, in SI units
    #[arg(long)]
    json: bool,
    /// Show no progress
    #[arg(long, short)]
    quiet: bool,
}

/// How an amplitude is stated.
#[derive(Clone, Copy, ValueEnum)]
enum StatedAs {
    Peak,
    Rms,
    Step,
    Square,
}

fn quantity(text: &str) -> Result<Quantity, String> {
    Quantity::parse(text).map_err(|e| e.to_string())
}

fn harmonic(text: &str) -> Result<(u32, u32), String> {
    let (n, m) = text.split_once('/').unwrap_or((text, "1"));
    let whole = |t: &str| t.trim().parse().ok().filter(|n| (1..=1000).contains(n));
    match (whole(n), whole(m)) {
        (Some(n), Some(m)) => Ok((n, m)),
        _ => Err(format!(
            "expected whole numbers from 1 to 1000, as `2` or `1/2`, found `{text}`"
        )),
    }
}

/// How the stages are written that a challenge adds.
const WORDS: Words = Words {
    tone: |tone: &ToneText<'_>| {
        let (n, m) = tone.harmonic;
        let shape = if tone.square { "Square" } else { "Sine" };
        format!(
            "AddTone(to: {:?}, follow: {:?}, amplitude: {:?}, phase: \"{:e} deg\", harmonic: {n}, divisor: {m}, shape: {shape})",
            tone.to, tone.follow, tone.amplitude, tone.phase
        )
    },
    detuned: |clock, by| format!("Detune(of: {clock:?}, by: \"{by:e} Hz\")"),
    stated: |wave, f| format!("Reference(of: {wave:?}, shape: Stated(frequency: \"{f:e} Hz\"))"),
};

impl Arguments {
    fn options(&self) -> Result<Options, String> {
        let number = |q: &Quantity, name: &str, unit: &Unit| match q.unit.same_dimension(unit) {
            true => Ok(q.value),
            false => Err(format!(
                "expected with `--{name}` a quantity in {unit}, found `{}`",
                q.text
            )),
        };
        let follow = match (&self.follow, &self.frequency) {
            (Some(text), _) if text.contains('(') => Follow::Stage(text.clone()),
            (Some(text), _) => Follow::Clock(text.clone()),
            (None, Some(f)) => Follow::Frequency(number(f, "frequency", &Unit::hertz())?),
            (None, None) => Follow::Own,
        };
        let phases = self.phase.iter();
        let tolerance = number(&self.tolerance, "tolerance", &Unit::one())?;
        if !(tolerance > 0.0 && tolerance < 1.0) {
            return Err(format!(
                "expected with `--tolerance` a part between 0 and 1, found `{}`",
                self.tolerance.text
            ));
        }
        Ok(Options {
            result: self.result.clone(),
            into: self.into.clone(),
            follow,
            harmonic: self.harmonic,
            amplitudes: self.amplitude.clone(),
            shape: self.stated_as.map(|s| match s {
                StatedAs::Peak => Shape::Peak,
                StatedAs::Rms => Shape::Rms,
                StatedAs::Step => Shape::Step,
                StatedAs::Square => Shape::Square,
            }),
            through: self.through.clone(),
            phases: phases
                .map(|p| number(p, "phase", &Unit::degree()))
                .collect::<Result<_, _>>()?,
            points: self.points.clone(),
            tolerance,
            any_phase: self.any_phase,
            threads: self.threads,
        })
    }
}

/// Runs the command.
pub fn run(arguments: &Arguments) -> u8 {
    let Some((recipe, wiring, _)) = arguments.texts.read() else {
        return exit::REJECTED;
    };
    let options = match arguments.options() {
        Ok(options) => options,
        Err(message) => {
            complain(format!("error: {message}"));
            return exit::REJECTED;
        }
    };
    let monitor = stopped_by_ctrl_c();
    let shown = (!arguments.quiet).then(|| progress::show(monitor.clone()));
    let mut reports = Vec::new();
    let mut code = exit::DONE;
    for (name, files) in group(&wiring, &arguments.recordings) {
        let request = Request {
            recipe: &recipe,
            wiring: &wiring,
            registry: &phasemill_stages::REGISTRY,
            words: WORDS,
            files: &files,
            with: &arguments.with,
            options: &options,
        };
        match challenge(&request, &monitor) {
            Ok(report) => {
                if !report.passed {
                    code = exit::FAILED;
                }
                reports.push((name, report));
            }
            Err(error) => {
                drop(shown);
                return refused(error);
            }
        }
    }
    drop(shown);
    if arguments.json {
        let all: Vec<_> = reports
            .iter()
            .map(|(name, report)| json!({ "recording": name, "report": report }))
            .collect();
        say(serde_json::to_string_pretty(&all).unwrap_or_default());
    } else {
        reports
            .iter()
            .for_each(|(name, report)| recovered::print(name, report));
    }
    code
}

fn refused(error: ChallengeError) -> u8 {
    match error {
        ChallengeError::Rejected(found) => {
            show(&found);
            complain(format!("rejected: {}", counted(&found)));
            exit::REJECTED
        }
        ChallengeError::Interrupted => {
            complain("error: stopped");
            exit::STOPPED
        }
        ChallengeError::Recording(message) => {
            complain(format!("error: {message}"));
            exit::FAILED
        }
        ChallengeError::Asked(message) => {
            complain(format!("error: {message}"));
            exit::REJECTED
        }
    }
}
