//! What a gain did, as a sentence.

use phasemill_engine::constant::Constant;
use phasemill_engine::stage::Told;

use super::{Express, Settings};

impl Settings {
    pub(super) fn told(&self, inputs: &[Told<'_>]) -> Option<String> {
        let of = inputs.first()?.name;
        let by = |verb: &str, c: &Option<Constant>| {
            let c = c.as_ref()?;
            Some(match c.name.as_str() {
                "" => format!("{verb} by {}", c.text),
                name => format!("{verb} by the constant \"{name}\""),
            })
        };
        let express = self.express.map(|express| match express {
            Express::Peak => "expressed as peak amplitude".to_owned(),
            Express::Rms => "expressed as rms amplitude".to_owned(),
            Express::Step { duty, flank } => {
                let percent = |x: f64| format!("{} %", (x * 1e5).round() / 1e3);
                let flanks = match flank {
                    0.0 => String::new(),
                    flank => format!(" and has linear flanks of {} of a period", percent(flank)),
                };
                format!(
                    "expressed as the full step of a quantity that is up for {} of a period{flanks}",
                    percent(duty)
                )
            }
        });
        let done = [
            by("multiplied", &self.multiply),
            by("divided", &self.divide),
            express,
        ];
        let done: Vec<String> = done.into_iter().flatten().collect();
        match done.split_last() {
            None => None,
            Some((one, [])) => Some(format!("{of} was {one}.")),
            Some((last, others)) => Some(format!("{of} was {} and {last}.", others.join(", "))),
        }
    }
}
