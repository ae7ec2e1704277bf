//! What was fitted, as a sentence.

use phasemill_engine::lineage::stated;
use phasemill_engine::stage::Told;

use super::Settings;

impl Settings {
    pub(super) fn told(&self, inputs: &[Told<'_>]) -> Option<String> {
        const MOST: usize = 6;
        let of = inputs.first()?.name;
        let lines = match self.lines.len() {
            1..=MOST => {
                let line = |(_, f): &(String, f64)| stated(*f, "Hz");
                let all: Vec<String> = self.lines.iter().map(line).collect();
                format!("sines at {}", all.join(", "))
            }
            n => format!("{n} sines of stated frequencies"),
        };
        let trend = match (self.constant, self.slope) {
            (_, true) => ", a level and a slope",
            (true, false) => " and a level",
            _ => "",
        };
        Some(format!(
            "By least squares, {lines}{trend} were fitted together to {of}."
        ))
    }
}
