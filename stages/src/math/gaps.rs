//! What a filter does with missing samples: refuse them, or restart behind the gap.

use phasemill_engine::diagnostic::Code;
use phasemill_engine::flow::Flow;
use phasemill_engine::stage::{Checker, Fault};
use phasemill_engine::text::Reader;

use super::sos::Sample;

/// What to do with a missing sample.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Gaps {
    /// The point fails.
    Refuse,
    /// The filter starts anew behind the gap.
    Restart,
}

/// Reads the setting `gaps`.
pub fn read_gaps(r: &mut Reader<'_>) -> Gaps {
    let gaps = r
        .setting("gaps", "what to do with missing samples")
        .default("Refuse")
        .choice(|c| {
            c.variant("Refuse", "the point fails", |_| Gaps::Refuse)
                .variant(
                    "Restart",
                    "start anew behind the gap; what has not settled is missing",
                    |_| Gaps::Restart,
                );
        });
    gaps.unwrap_or(Gaps::Refuse)
}

impl Gaps {
    /// Reports a gap that headers show and that the filter refuses.
    pub fn check(self, input: &Flow, checker: &mut Checker<'_>) {
        if let (Gaps::Refuse, Some(first)) = (self, input.missing.gap) {
            checker.error(
                "gaps",
                Code::Time,
                format!("expected every sample, found a gap in the sample times at sample {first}"),
                "set `gaps: Restart` to go on behind gaps",
            );
        }
    }
}

/// What a filter is told by its guard.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Event {
    /// Forget the past.
    Restart,
    /// Filter these samples.
    Filter,
}

/// Watches the samples for gaps. Samples missing before the first that is there are no gap: the
/// recording or the stage before has not begun.
#[derive(Clone, Debug)]
pub struct Guard {
    gaps: Gaps,
    /// Output samples that are held back behind a gap.
    settling: u64,
    /// Samples seen.
    seen: u64,
    /// Whether a sample was there yet.
    begun: bool,
    /// Whether the last sample was missing.
    missing: bool,
    /// Output samples still to be held back.
    hold: u64,
}

impl Guard {
    /// A guard for a filter that needs `settling` samples to settle.
    pub fn new(gaps: Gaps, settling: u64) -> Self {
        Guard {
            gaps,
            settling,
            seen: 0,
            begun: false,
            missing: false,
            hold: 0,
        }
    }

    /// Takes note of one sample; whether the filter must restart with it.
    pub fn take(&mut self, missing: bool) -> Result<bool, Fault> {
        if missing && self.begun && self.gaps == Gaps::Refuse {
            let remedy = "set `gaps: Restart` to go on behind gaps, or leave the point out";
            return Err(Fault::Gap {
                sample: self.seen,
                remedy,
            });
        }
        self.seen += 1;
        let restart = !missing && self.missing;
        if restart {
            self.hold = self.settling;
        }
        self.begun |= !missing;
        self.missing = missing;
        Ok(restart)
    }

    /// Passes `samples` on to `filter`, which works on them in place, cut at gaps; appends to `out`.
    pub fn run<S: Sample>(
        &mut self,
        samples: &[S],
        out: &mut Vec<S>,
        mut filter: impl FnMut(Event, &mut [S]),
    ) -> Result<(), Fault> {
        let mut start = 0;
        while start < samples.len() {
            let missing = samples[start].is_missing();
            let length = samples[start..]
                .iter()
                .take_while(|x| x.is_missing() == missing)
                .count();
            if self.take(missing)? {
                filter(Event::Restart, &mut []);
            }
            self.seen += length as u64 - 1;
            let from = out.len();
            if missing {
                out.resize(from + length, S::MISSING);
            } else {
                out.extend_from_slice(&samples[start..start + length]);
                filter(Event::Filter, &mut out[from..]);
                let held = self.hold.min(length as u64);
                self.hold -= held;
                out[from..from + held as usize].fill(S::MISSING);
            }
            start += length;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const N: f64 = f64::NAN;

    /// A running sum, to see where it restarts.
    fn sums(guard: &mut Guard, samples: &[f64]) -> Result<Vec<f64>, Fault> {
        let (mut out, mut sum) = (Vec::new(), 0.0);
        guard.run(samples, &mut out, |event, part| match event {
            Event::Restart => sum = 0.0,
            Event::Filter => part.iter_mut().for_each(|x| {
                sum += *x;
                *x = sum;
            }),
        })?;
        Ok(out)
    }

    fn shown(samples: &[f64]) -> String {
        samples
            .iter()
            .map(|x| {
                if x.is_nan() {
                    "-".into()
                } else {
                    x.to_string()
                }
            })
            .collect::<Vec<_>>()
            .join(" ")
    }

    #[test]
    fn a_restart_forgets_and_holds_back() {
        let samples = [1.0, 2.0, N, N, 3.0, 4.0, 5.0];
        let out = sums(&mut Guard::new(Gaps::Restart, 2), &samples).expect("restarts");
        assert_eq!(shown(&out), "1 3 - - - - 12");
    }

    #[test]
    fn a_gap_is_refused_with_its_place() {
        let fault = sums(&mut Guard::new(Gaps::Refuse, 2), &[N, 1.0, 2.0, N]).expect_err("a gap");
        assert!(matches!(fault, Fault::Gap { sample: 3, .. }), "{fault}");
    }

    #[test]
    fn what_is_missing_at_the_start_is_no_gap_but_holds_back() {
        let out = sums(&mut Guard::new(Gaps::Refuse, 1), &[N, 1.0, 2.0]).expect("no gap");
        assert_eq!(shown(&out), "- - 3");
    }
}
