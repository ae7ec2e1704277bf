//! `phasemill trace`: where an output came from, back to the samples.

use std::path::PathBuf;

use phasemill_engine::lineage::Record;
use phasemill_engine::store::ResultReader;

use super::{complain, say};
use crate::exit;

/// Arguments of `trace`.
#[derive(clap::Args)]
pub struct Arguments {
    /// The result file
    results: PathBuf,
    /// The output, as `answer` or `recording:answer`; all of them by default
    output: Option<String>,
    /// Print the lineage as JSON
    #[arg(long)]
    json: bool,
    /// Print the recipe as it was run
    #[arg(long)]
    recipe: bool,
}

/// Runs the command.
pub fn run(arguments: &Arguments) -> u8 {
    match traced(arguments) {
        Ok(text) => {
            say(text.trim_end());
            exit::DONE
        }
        Err(message) => {
            complain(format!("error: {message}"));
            exit::REJECTED
        }
    }
}

fn traced(arguments: &Arguments) -> Result<String, String> {
    let file = ResultReader::open(&arguments.results).map_err(|e| e.to_string())?;
    if arguments.recipe {
        return file.text("/provenance/recipe").map_err(|e| e.to_string());
    }
    drop(file);
    let record = Record::open(&arguments.results).map_err(|e| e.to_string())?;
    let lineage = &record.lineage;
    let chosen = record.choose(arguments.output.as_deref())?;
    if arguments.json {
        let outputs: Vec<_> = chosen
            .iter()
            .map(|c| serde_json::json!({ "entry": c.entry, "output": c.output }))
            .collect();
        let whole = serde_json::json!({
            "version": lineage.version, "program": lineage.program, "began": lineage.began, "outputs": outputs,
        });
        return serde_json::to_string_pretty(&whole).map_err(|e| e.to_string());
    }
    let mut text = format!(
        "made by phasemill {} on {}\n",
        lineage.program, lineage.began
    );
    for chosen in chosen {
        let entry = chosen.entry;
        let story = record.story(chosen).map_err(|e| e.to_string())?;
        text += &format!("\n{}: {}\n{story}", entry.name, entry.title);
    }
    Ok(text)
}
