//! `phasemill trace`: where an output came from, back to the samples.

use std::path::PathBuf;

use phasemill_engine::lineage::{Entry, Lineage, Output, VERSION};
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
    let record = file
        .text("/provenance/lineage")
        .map_err(|e| format!("{e}; expected a result file of `phasemill run`"))?;
    let lineage: Lineage = serde_json::from_str(&record).map_err(|e| {
        format!(
            "{}: the lineage cannot be read: {e}",
            arguments.results.display()
        )
    })?;
    if lineage.version > VERSION {
        let (found, known) = (lineage.version, VERSION);
        return Err(format!(
            "expected a lineage of version {known} or lower, found {found}; use a newer program"
        ));
    }
    let wanted = arguments
        .output
        .as_deref()
        .map(|text| text.split_once(':').unwrap_or(("", text)));
    let chosen: Vec<(&Entry, &Output)> = lineage
        .entries
        .iter()
        .flat_map(|e| e.outputs.iter().map(move |o| (e, o)))
        .filter(|(e, o)| {
            wanted.is_none_or(|(entry, output)| {
                (entry.is_empty() || entry == e.name) && (o.name == output || o.node == output)
            })
        })
        .collect();
    if chosen.is_empty() {
        let all = lineage.entries.iter().flat_map(|e| {
            e.outputs
                .iter()
                .map(move |o| format!("{}:{}", e.name, o.name))
        });
        let wanted = arguments.output.as_deref().unwrap_or("");
        return Err(format!(
            "no output `{wanted}`; the file holds {}",
            all.collect::<Vec<_>>().join(", ")
        ));
    }
    if arguments.json {
        let outputs: Vec<_> = chosen
            .iter()
            .map(|(e, o)| serde_json::json!({ "entry": e, "output": o }))
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
    for (entry, output) in chosen {
        text += &format!("\n{}: {}\n{}", entry.name, entry.title, entry.story(output));
    }
    Ok(text)
}
