//! `phasemill sign`: a signature over a result file's record, by the stock `ssh-keygen`; and its check.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use phasemill_engine::lineage::Record;

use super::{complain, say};
use crate::exit;

/// What signatures are for, so that none made for something else counts.
pub const NAMESPACE: &str = "phasemill-run";
/// The tool.
const TOOL: &str = "ssh-keygen";

/// Arguments of `sign`.
#[derive(clap::Args)]
pub struct Arguments {
    /// The result file
    results: PathBuf,
    /// The private key (or the public one, where an agent holds the private one)
    #[arg(long, value_name = "FILE", required_unless_present = "message")]
    key: Option<PathBuf>,
    /// Where the signature goes; by default beside the result file, with `.sig` behind its name
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// Replace an existing signature
    #[arg(long)]
    overwrite: bool,
    /// Print what is signed, without a line end, and sign nothing
    #[arg(long)]
    message: bool,
}

/// Runs the command.
pub fn run(arguments: &Arguments) -> u8 {
    let done = sealed(&arguments.results).and_then(|seal| match &arguments.key {
        Some(key) if !arguments.message => {
            let out = arguments.out.clone();
            let out = out.unwrap_or_else(|| signature_of(&arguments.results));
            if out.exists() && !arguments.overwrite {
                return Err(format!(
                    "{}: exists already; choose another name, or replace it with `--overwrite`",
                    out.display()
                ));
            }
            let signature = sign(&seal, key)?;
            std::fs::write(&out, signature)
                .map_err(|e| format!("cannot write {}: {e}", out.display()))?;
            say(format!("signature in {}", out.display()));
            Ok(())
        }
        _ => {
            // Nothing is left to be done when it cannot be printed.
            let _ = write!(std::io::stdout().lock(), "{seal}");
            Ok(())
        }
    });
    match done {
        Ok(()) => exit::DONE,
        Err(message) => {
            complain(format!("error: {message}"));
            exit::REJECTED
        }
    }
}

/// Where the signature of a result file is looked for.
pub fn signature_of(results: &Path) -> PathBuf {
    let mut name = results.as_os_str().to_owned();
    name.push(".sig");
    name.into()
}

/// What is signed: the seal, if the record is whole.
fn sealed(results: &Path) -> Result<String, String> {
    let record = Record::open(results).map_err(|e| e.to_string())?;
    match (&record.seal, record.is_whole()) {
        (None, _) => Err(format!(
            "{}: expected a sealed record, found one of version 1; run the recipe again",
            results.display()
        )),
        (_, false) => Err(format!(
            "{}: the lineage is not what was sealed; `phasemill verify` says more",
            results.display()
        )),
        (Some(seal), true) => Ok(seal.clone()),
    }
}

/// Runs the tool with a message on its standard input; what it printed.
fn tool(arguments: &[&std::ffi::OsStr], message: &str) -> Result<(bool, String, String), String> {
    let started = Command::new(TOOL)
        .args(arguments)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn();
    let mut child = started.map_err(|e| match e.kind() {
        std::io::ErrorKind::NotFound => format!(
            "expected the program `{TOOL}`, found none; install OpenSSH's client (`apt-get install openssh-client`)"
        ),
        _ => format!("cannot start `{TOOL}`: {e}"),
    })?;
    if let Some(mut input) = child.stdin.take() {
        // One that does not read says why itself.
        let _ = input.write_all(message.as_bytes());
    }
    let output = child
        .wait_with_output()
        .map_err(|e| format!("`{TOOL}`: {e}"))?;
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).trim_end().to_owned();
    Ok((
        output.status.success(),
        text(&output.stdout),
        text(&output.stderr),
    ))
}

fn sign(seal: &str, key: &Path) -> Result<String, String> {
    let arguments = ["-Y", "sign", "-q", "-n", NAMESPACE, "-f"].map(std::ffi::OsStr::new);
    let (done, signature, why) = tool(&[&arguments[..], &[key.as_os_str()]].concat(), seal)?;
    match done {
        true => Ok(signature + "\n"),
        false => Err(format!("`{TOOL}` did not sign: {}", said(&why))),
    }
}

/// Checks the signature of a sealed text against the signers that a file allows; who signed it.
///
/// # Errors
/// A message when nobody who is allowed did, or it cannot be told.
pub fn check(seal: &str, signature: &Path, signers: &Path) -> Result<String, String> {
    if !signature.is_file() {
        return Err(format!(
            "expected a signature, found none at {}",
            signature.display()
        ));
    }
    let find = ["-Y", "find-principals", "-f"].map(std::ffi::OsStr::new);
    let both = [
        signers.as_os_str(),
        std::ffi::OsStr::new("-s"),
        signature.as_os_str(),
    ];
    let (found, names, why) = tool(&[&find[..], &both[..]].concat(), "")?;
    let name = names.lines().next().unwrap_or("").to_owned();
    if !found || name.is_empty() {
        return Err(format!(
            "by nobody whom {} allows: {}",
            signers.display(),
            said(&why)
        ));
    }
    let verify =
        ["-Y", "verify", "-q", "-n", NAMESPACE, "-I", &name, "-f"].map(std::ffi::OsStr::new);
    match tool(&[&verify[..], &both[..]].concat(), seal)? {
        (true, ..) => Ok(name),
        (false, out, err) => {
            let why = [out, err].join(" ");
            Err(format!("not of this file: {}", said(why.trim())))
        }
    }
}

/// What the tool said, on one line.
fn said(why: &str) -> String {
    match why
        .lines()
        .map(str::trim)
        .filter(|l| !l.is_empty())
        .collect::<Vec<_>>()
        .join("; ")
    {
        text if text.is_empty() => "it does not say why".into(),
        text => text,
    }
}
