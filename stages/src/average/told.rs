//! How samples were averaged, as a sentence.

use phasemill_engine::lineage::spoken;
use phasemill_engine::stage::Told;

use super::{From, Settings, Skip};

impl Settings {
    pub(super) fn told(&self, inputs: &[Told<'_>]) -> Option<String> {
        let input = inputs.first()?;
        let of = input.name;
        let skipped = self.skipped_time(input.flow).filter(|t| *t > 0.0);
        let left_out = match (self.skip, skipped) {
            (_, None) => String::new(),
            (Skip::Settling(part), Some(time)) => format!(
                ", the first {} of each point left out until the filters had settled to {}",
                spoken(time, "s"),
                spoken(part, "%")
            ),
            (Skip::Time(_), Some(time)) => {
                format!(", the first {} of each point left out", spoken(time, "s"))
            }
        };
        let how = match (self.block, &self.uncertainty) {
            (Some(_), _) => {
                "; the value is the mean of the block means and its standard uncertainty their standard deviation over \
                 the square root of their number (JCGM 100:2008, 4.2.3)"
                    .to_owned()
            }
            (None, From::Density(density)) => {
                format!("; its standard uncertainty follows from a stated noise density of {}", density.text)
            }
            (None, From::Noise(method)) => {
                let cut = self.grid(input.flow).zip(self.averaged(input.flow));
                match cut.and_then(|(grid, samples)| grid.cut(samples, *method)) {
                    // With too few stretches it is not evaluated.
                    None => String::new(),
                    Some(_) => "; its standard uncertainty comes from the scatter of the means of non-overlapping \
                                stretches of each point, whose correlation behind the filters is that of white noise \
                                at their input, and, where a point wandered by more than that, from its slowest \
                                changes, taken as 1/f noise"
                        .to_owned(),
                }
            }
            (None, From::Nothing) => String::new(),
        };
        let over = match self.block {
            None => String::new(),
            Some(block) => format!(" blocks of {} of", spoken(block, "s")),
        };
        Some(format!(
            "{of} was averaged over{over} each point{left_out}{how}."
        ))
    }
}
