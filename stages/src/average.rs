//! `Average`: the mean of a point after the settling time, or of blocks of it.

use num_complex::Complex64;
use phasemill_engine::diagnostic::Code;
use phasemill_engine::flow::{Buffer, Flow, Kind, Port, Samples};
use phasemill_engine::response::Element;
use phasemill_engine::stage::{
    Checker, Closing, Configured, Fault, Kernel, Stage, Work, sampled_input,
};
use phasemill_engine::text::{Range, Reader};
use phasemill_engine::value::{About, Estimate, Part, Reach, Value};

use crate::math::sums::ComplexMoments;

/// Blocks from which on their scatter tells an uncertainty to about a third: it is itself uncertain by
/// 1/sqrt(2(n - 1)) of its value (JCGM 100:2008, E.4.3).
const FEW_BLOCKS: u64 = 5;

/// The stage.
pub struct Average;

impl Stage for Average {
    fn name(&self) -> &'static str {
        "Average"
    }

    fn doc(&self) -> &'static str {
        "The mean of the samples of a point, after those within the settling time of the chain so far. \
         Missing samples are left out and counted. `over: Point` gives mean, standard deviation of the samples \
         (n - 1) and their number; its uncertainty is not evaluated, since filtered samples are correlated and \
         s/sqrt(n) would be too small. `over: Blocks(t)` gives the mean of the means of blocks of length t, and \
         their scatter s and number n: the standard uncertainty is s/sqrt(n) with n - 1 degrees of freedom (JCGM \
         100:2008, 4.2.3), which holds for blocks longer than the settling time. Samples behind the last whole \
         block are left out. Of a phasor, in-phase and quadrature part have their own scatter and a covariance."
    }

    fn example(&self) -> &'static str {
        r#"Recipe(
    title: "Mean level of a detector, with its scatter from second to second",
    inputs: { "detector": Wave(unit: "V") },
    stages: { "level": Average(of: "detector", over: Blocks("1 s")) },
    results: ["level"],
)"#
    }

    fn read(&self, r: &mut Reader<'_>) -> Box<dyn Configured> {
        r.setting("of", "the wave or phasor to be averaged").flow();
        let skip = r
            .setting("skip", "what to leave out at the start of a point")
            .default("Settling(\"0.01 %\")")
            .choice(|c| {
                c.variant("Settling", "until the chain so far has settled", |r| {
                    Skip::Settling(
                        r.setting("", "remaining part of a step")
                            .quantity("1", Range::Inside(0.0, 1.0)),
                    )
                })
                .variant("Time", "a stated time", |r| {
                    Skip::Time(r.setting("", "time").quantity("s", Range::NotNegative))
                })
                .variant("Nothing", "nothing", |_| Skip::Time(0.0));
            });
        let block = r
            .setting("over", "what to average over")
            .default("Point")
            .choice(|c| {
                c.variant("Point", "all samples of the point", |_| None)
                    .variant("Blocks", "blocks of equal length", |r| {
                        Some(
                            r.setting("", "length of a block")
                                .quantity("s", Range::Positive),
                        )
                    });
            });
        Box::new(Settings {
            skip: skip.unwrap_or(Skip::Time(0.0)),
            block: block.flatten(),
        })
    }
}

#[derive(Clone, Copy)]
enum Skip {
    /// Until the answer to a step is within this part of its end value.
    Settling(f64),
    /// Seconds.
    Time(f64),
}

struct Settings {
    skip: Skip,
    /// Seconds.
    block: Option<f64>,
}

impl Settings {
    fn skipped_time(&self, input: &Flow) -> Option<f64> {
        match self.skip {
            Skip::Settling(part) => input.response.settling_time(part),
            Skip::Time(time) => Some(time),
        }
    }

    /// Samples that are left out.
    fn skip(&self, input: &Flow, rate: f64) -> u64 {
        (self.skipped_time(input).unwrap_or(0.0) * rate).ceil() as u64
    }

    /// Samples of a block.
    fn block(&self, rate: f64) -> Option<u64> {
        self.block.map(|b| (b * rate).round().max(1.0) as u64)
    }

    /// Samples that are averaged, where the length of a point is known; the mean of the means of whole
    /// blocks is the mean of them all.
    fn averaged(&self, input: &Flow) -> Option<u64> {
        let rate = input.rate?;
        let rest = input.length?.checked_sub(self.skip(input, rate))?;
        let whole = self.block(rate).map_or(rest, |block| rest / block * block);
        (whole > 0).then_some(whole)
    }
}

impl Settings {
    /// Whole blocks behind what is skipped, in s, counted in samples as the kernel does.
    fn whole_blocks(&self, input: &Flow, skip: f64) -> Option<u64> {
        let rate = input.rate?;
        let left = input.length?.saturating_sub((skip * rate).ceil() as u64);
        Some(left / (self.block? * rate).round().max(1.0) as u64)
    }
}

impl Configured for Settings {
    fn check(&self, inputs: &[Flow], checker: &mut Checker<'_>) -> Vec<Port> {
        let [input] = inputs else { return Vec::new() };
        if !checker.expect_kind(0, input, &[Kind::Wave, Kind::Phasor]) {
            return Vec::new();
        }
        match (self.skipped_time(input), input.duration()) {
            (None, _) => checker.error(
                "skip",
                Code::Time,
                "expected a chain that settles within 2^28 samples, found a slower one",
                "choose a shorter time constant, or decimate in steps",
            ),
            (Some(skip), Some(duration)) if skip >= duration => checker.error(
                "skip",
                Code::Time,
                format!("expected a settling time shorter than the point, found {skip:.6} s of {duration:.6} s"),
                "record longer points, filter less, or settle to a larger part",
            ),
            (Some(skip), Some(duration)) => match self.whole_blocks(input, skip) {
                Some(found @ 0..2) => checker.error(
                    "over",
                    Code::Time,
                    format!("expected at least 2 blocks in the {:.6} s after settling, found {found}", duration - skip),
                    "choose shorter blocks, or record longer points",
                ),
                Some(found) if found < FEW_BLOCKS => checker.warn(
                    "over",
                    Code::Uncertainty,
                    format!(
                        "the scatter of {found} blocks has {} degrees of freedom only; it may be wrong by {:.0} %",
                        found - 1,
                        100.0 / (2.0 * (found - 1) as f64).sqrt()
                    ),
                    format!("choose blocks for {FEW_BLOCKS} or more, or record longer points"),
                ),
                _ => {}
            },
            _ => {}
        }
        if let (Some(block), Some(settling)) = (self.block, input.response.settling_time(0.01))
            && block < settling
        {
            checker.warn(
                    "over",
                    Code::Time,
                    format!("blocks of {block} s are shorter than the settling time to 1 %, {settling:.6} s"),
                    "their means are correlated and the uncertainty comes out too small; choose longer blocks",
                );
        }
        if let (Some(block), Some(rate)) = (self.block, input.rate)
            && block * rate < 1.0
        {
            let message = format!(
                "expected blocks of at least one sample, {} s, found {block} s",
                1.0 / rate
            );
            checker.error("over", Code::Time, message, "choose longer blocks");
        }
        let response = match self.averaged(input).zip(input.rate) {
            Some((n, rate)) => input.response.clone().then(Element::Average(n, rate)),
            None => input.response.clone(),
        };
        let kind = if input.kind == Kind::Phasor {
            Kind::ComplexEstimate
        } else {
            Kind::Estimate
        };
        vec![Port::new(
            "",
            Flow {
                kind,
                evaluated: self.block.is_some(),
                rate: None,
                length: None,
                response,
                ..input.clone()
            },
        )]
    }

    fn prepare(&self, inputs: &[Flow]) -> Result<Work, Fault> {
        let (input, rate) = sampled_input(inputs)?;
        let skip = self.skip(input, rate);
        let block = self.block(rate);
        Ok(Work::Stream(Box::new(move || {
            Box::new(Averaging {
                skip,
                block,
                seen: 0,
                samples: ComplexMoments::default(),
                blocks: ComplexMoments::default(),
                missing: 0,
            })
        })))
    }
}

struct Averaging {
    skip: u64,
    block: Option<u64>,
    /// Samples that have passed, those left out included.
    seen: u64,
    /// Of the point, or of the block that is filling.
    samples: ComplexMoments,
    /// Of the means of whole blocks.
    blocks: ComplexMoments,
    /// Samples missing in whole blocks.
    missing: u64,
}

impl Averaging {
    fn take(&mut self, z: Complex64) {
        self.seen += 1;
        if self.seen <= self.skip {
            return;
        }
        self.samples.push(z);
        if let Some(block) = self.block
            && (self.seen - self.skip).is_multiple_of(block)
        {
            self.missing += self.samples.missing();
            // A block without any sample is left out.
            self.blocks.push(if self.samples.count() == 0 {
                Complex64::new(f64::NAN, f64::NAN)
            } else {
                self.samples.mean()
            });
            self.samples = ComplexMoments::default();
        }
    }
}

impl Kernel for Averaging {
    fn run(&mut self, inputs: &[Samples<'_>], _: &mut [Buffer]) -> Result<(), Fault> {
        match inputs.first() {
            Some(Samples::Phasor(samples)) => samples.iter().for_each(|z| self.take(*z)),
            Some(Samples::Wave(samples)) => samples
                .iter()
                .for_each(|x| self.take(Complex64::new(*x, 0.0))),
            _ => {}
        }
        Ok(())
    }

    fn finish(&mut self) -> Result<Closing, Fault> {
        let (moments, what, needed, missing) = match self.block {
            Some(_) => (
                &self.blocks,
                "blocks with samples after the settling time",
                2,
                self.missing,
            ),
            None => (
                &self.samples,
                "samples after the settling time",
                1,
                self.samples.missing(),
            ),
        };
        let count = moments.count();
        if count < needed {
            return Err(Fault::TooFew {
                what,
                needed,
                found: count,
            });
        }
        let [xx, yy, xy] = moments.covariance();
        let n = count as f64;
        let estimate = Estimate {
            value: moments.mean(),
            parts: self.block.map(|_| parts([xx / n, yy / n, xy / n], n - 1.0)),
            scatter: (count > 1).then(|| Complex64::new(xx.sqrt(), yy.sqrt())),
            count: Some(count),
            missing,
        };
        Ok(Closing::values(vec![Value::Estimate(estimate)]))
    }
}

/// Two independent sources that together have this covariance (Cholesky factors).
fn parts([xx, yy, xy]: [f64; 3], degrees_of_freedom: f64) -> Vec<Part> {
    let a = xx.sqrt();
    let b = if a > 0.0 { xy / a } else { 0.0 };
    let c = (yy - b * b).max(0.0).sqrt();
    let about = About::scatter("scatter of blocks", Reach::Node, degrees_of_freedom);
    let first = Part::new(&about, 0, Complex64::new(a, b));
    let second = Part::new(&about, 1, Complex64::new(0.0, c));
    if c > 0.0 {
        vec![first, second]
    } else {
        vec![first]
    }
}

#[cfg(test)]
mod tests {
    use phasemill_engine::testing;
    use phasemill_engine::units::Unit;

    use super::*;

    fn flow(rate: f64, length: u64) -> Flow {
        Flow {
            rate: Some(rate),
            length: Some(length),
            ..Flow::new(Kind::Wave, Unit::one())
        }
    }

    fn estimate(text: &str, rate: f64, samples: &[f64]) -> Result<Estimate, Fault> {
        let flows = [flow(rate, samples.len() as u64)];
        let given = testing::run_every_way(&Average, text, &[], &flows, &[Samples::Wave(samples)])?;
        assert!(!given.diagnostics.has_errors(), "{}", given.diagnostics);
        match given.closing.values.as_slice() {
            [Value::Estimate(e)] => Ok(e.clone()),
            _ => panic!("expected one estimate"),
        }
    }

    /// 1, 2, 4, missing: mean 7/3, standard deviation sqrt(7/3), worked by hand.
    #[test]
    fn missing_samples_are_left_out_and_counted() {
        let e = estimate(r#"Average(of: "x")"#, 1.0, &[1.0, 2.0, f64::NAN, 4.0]).expect("a mean");
        assert!((e.value.re - 7.0 / 3.0).abs() < 1e-15);
        assert!((e.scatter.expect("a scatter").re - (7.0f64 / 3.0).sqrt()).abs() < 1e-15);
        assert_eq!((e.count, e.missing, e.parts), (Some(3), 1, None));
    }

    /// Blocks (1, 3), (5, 7), and 9 left over: means 2 and 6, scatter sqrt(8), u = 2; by hand.
    #[test]
    fn blocks_give_an_uncertainty() {
        let e = estimate(
            r#"Average(of: "x", over: Blocks("2 s"))"#,
            1.0,
            &[1.0, 3.0, 5.0, 7.0, 9.0],
        )
        .expect("a mean");
        assert_eq!((e.value.re, e.count), (4.0, Some(2)));
        assert!((e.standard_uncertainty().expect("evaluated").re - 2.0).abs() < 1e-15);
    }

    /// Blocks (1, -), (-, -), (5, 7): means 1 and 6, three samples missing; by hand.
    #[test]
    fn samples_missing_in_blocks_are_counted() {
        let samples = [1.0, f64::NAN, f64::NAN, f64::NAN, 5.0, 7.0];
        let e =
            estimate(r#"Average(of: "x", over: Blocks("2 s"))"#, 1.0, &samples).expect("a mean");
        assert_eq!((e.value.re, e.count, e.missing), (3.5, Some(2), 3));
    }

    #[test]
    fn what_is_skipped_is_not_averaged() {
        let e = estimate(
            r#"Average(of: "x", skip: Time("2 s"))"#,
            1.0,
            &[100.0, 100.0, 1.0, 3.0],
        )
        .expect("a mean");
        assert_eq!((e.value.re, e.count), (2.0, Some(2)));
    }

    #[test]
    fn nothing_but_missing_samples_is_a_fault() {
        let fault = estimate(r#"Average(of: "x")"#, 1.0, &[f64::NAN; 4]).expect_err("no mean");
        assert_eq!(
            fault,
            Fault::TooFew {
                what: "samples after the settling time",
                needed: 1,
                found: 0
            }
        );
    }

    #[test]
    fn a_point_shorter_than_the_skip_is_refused() {
        let (found, _) = testing::check(
            &Average,
            r#"Average(of: "x", skip: Time("9 s"))"#,
            &[],
            &[flow(1.0, 5)],
        );
        assert_eq!(
            found.iter().map(|d| d.code).collect::<Vec<_>>(),
            [Code::Time]
        );
    }
}
