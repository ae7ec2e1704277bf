//! The generator's command line: `phasemill-demo-data FOLDER`, and what to leave out or shorten.

use std::path::PathBuf;
use std::process::ExitCode;
use std::str::FromStr;

use phasemill_demo_data::{NOTE, Settings, generate};

const USAGE: &str = "usage: phasemill-demo-data FOLDER [--points N] [--seconds T] [--seed N] [--only NAME] [--noiseless]";

fn main() -> ExitCode {
    let (text, code) = match run(std::env::args().skip(1)) {
        Ok(text) => (text, ExitCode::SUCCESS),
        Err(text) => (format!("error: {text}"), ExitCode::FAILURE),
    };
    #[allow(clippy::print_stderr, reason = "a program talks to its user")]
    {
        eprintln!("{text}");
    }
    code
}

fn run(mut arguments: impl Iterator<Item = String>) -> Result<String, String> {
    let mut settings = Settings::default();
    let mut folder = None;
    let mut only = None;
    while let Some(argument) = arguments.next() {
        match argument.as_str() {
            "--points" => settings.points = Some(value(&argument, arguments.next())?),
            "--seconds" => settings.seconds = Some(value(&argument, arguments.next())?),
            "--seed" => settings.seed = value(&argument, arguments.next())?,
            "--only" => only = Some(value::<String>(&argument, arguments.next())?),
            "--noiseless" => settings.noise = false,
            "--help" | "-h" => return Ok(USAGE.into()),
            other if other.starts_with('-') || folder.is_some() => {
                return Err(format!(
                    "expected one folder and known options, found `{other}`\n{USAGE}"
                ));
            }
            path => folder = Some(PathBuf::from(path)),
        }
    }
    let folder = folder.ok_or_else(|| format!("expected a folder, found none\n{USAGE}"))?;
    let written = generate(&folder, &settings, only.as_deref()).map_err(|e| e.to_string())?;
    Ok(format!(
        "wrote {} to `{}` ({NOTE})",
        written.join(", "),
        folder.display()
    ))
}

fn value<T: FromStr>(option: &str, text: Option<String>) -> Result<T, String> {
    let text = text.ok_or_else(|| format!("expected a value after `{option}`, found nothing"))?;
    text.parse()
        .map_err(|_| format!("expected a number after `{option}`, found `{text}`"))
}
