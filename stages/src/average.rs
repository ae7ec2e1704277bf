//! `Average`: the mean of a point after the settling time, or of blocks of it.

use phasemill_engine::constant::Constant;
use phasemill_engine::diagnostic::Code;
use phasemill_engine::flow::{Convention, Flow, Kind, Port};
use phasemill_engine::response::Element;
use phasemill_engine::stage::{Checker, Configured, Fault, Stage, Told, Work, sampled_input};
use phasemill_engine::text::{Range, Reader};
use phasemill_engine::units::Unit;

use crate::math::stretches::{FEWEST, Grid, Method};

mod averaging;
mod remarks;
mod settled;
#[cfg(test)]
mod tests;
mod told;

use averaging::{Averaging, Noise};
use remarks::seconds;

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
         (n - 1) and their number. Filtered samples are correlated, and s/sqrt(n) would be too small; so its \
         standard uncertainty comes from the means of K non-overlapping stretches that fill the point, of which there \
         are at most 32, with K - 1 degrees of freedom. Their scatter is turned into the uncertainty of the \
         mean of everything with what is known of the chain: white noise at its input, as wide around the \
         signal as the chain lets through, has known variances and covariances at its output (the filter's \
         autocorrelation). `Stretches` takes stretches longer than the settling time to 1 %; `Neighbours` takes \
         shorter ones, so short that the noise at frequencies beside the signal that the chain still lets \
         through is used as well, and makes them independent first (generalised least squares, with the \
         Cholesky factor of their covariance; JCGM 102:2011, 6). `Automatic` takes `Stretches` where there are at least \
         10, else `Neighbours`. With fewer than 3 the uncertainty is not evaluated, which is said. What \
         is more than noise is remarked on. An amplitude or a phase that wanders within the point, as one that flickers as 1/f or \
         drifts, is looked for along the mean and across it, in the cosines of k half turns over the point: where the slow ones \
         are stronger against the others than white noise behind this chain makes them once in 200 cases (test for noise that \
         rises towards zero frequency, after Robinson, J. Am. Stat. Assoc. 89, 1420 (1994), with its probability by the saddle \
         point), the slowest three add a source with 3 degrees of freedom to the uncertainty, \"changes within the point beyond \
         white noise\". It is as large as the Allan deviation over the point of 1/f noise of their power, by which the means of \
         two such points in a row differ (2*ln(2) of density times frequency: Barnes et al., IEEE Trans. Instrum. Meas. 20, 105 \
         (1971)); means of the same samples share it. Where chance gives as much once in 100 000 cases, it is remarked on, with its size. Waves \
         are those of means over four pieces each, weighted with a cubic B-spline, of some hundred pieces in a point, so that \
         ripples and lines far from the signal do not fold on them. It is not looked for behind a filter over whole periods of a clock \
         whose frequency only the run finds, nor farther from the signal than a tenth of the inverse settling time (to 1 %) \
         of filters before the mixing, since what those make of white noise is not known beforehand. What is \
         slower than a point is in no part of it: the scatter from point to point tells it. Remarked on are, too, a line among the cosines, with \
         its size and how far beside the signal it lies, since it may be the signal, and the reference off; or else a line among \
         the stretches, since something beats with the signal \
         (Fisher, Proc. R. Soc. Lond. A 125, 54 (1929); chance gives one or the other in 50 000 cases), and \
         the uncertainty is too large as a rule; and a level beside the mean of zero, or its drift, that \
         nothing behind the mixing removes and whose ripple, cut off at the ends, shifts the mean by more than half its standard \
         uncertainty (likewise by chance in 50 000). `Density(...)` states a noise density instead, one-sided, \
         in the unit of the flow per sqrt(Hz), of the wave before mixing with all gains so far. `over: Blocks(t)` \
         gives the mean of the means of blocks of length t, \
         their scatter s and number n: the standard uncertainty is s/sqrt(n) with n - 1 degrees of freedom (JCGM \
         100:2008, 4.2.3), which holds for blocks longer than the settling time. Samples behind the last whole \
         block are left out. Of a phasor, in-phase and quadrature part have a joint covariance; so have the \
         averages of several channels over the same stretches or up to 64 blocks. Averages of the same samples behind one mixing \
         (or none) share their noise as their chains say: each is a weighted sum of the noise behind the mixing, so that one \
         density, white around the signal and measured by the mean over the shortest time that makes no interval wider by more than \
         5 %, gives all variances and \
         covariances, and the difference of two filters is as certain as it is. Decimation, other rates and other times left \
         out are in the weights. Where densities behind two chains differ by more than chance (once in 2000 cases, F test), or samples \
         are missing in between, the averages count as independent, which is remarked on. Averages at other harmonics, or relative to other \
         clocks, count as independent, which they are for white noise. For other pairs of the same samples, as behind a \
         stage that is not linear, different filters before the mixing, or a fit of tones, the check warns where they are combined."
    }

    // 8: what wanders is looked for in smooth means, and what a decimation folds is in the noise that a chain leaves.
    fn numeric_version(&self) -> u32 {
        8
    }

    fn example(&self) -> &'static str {
        r#"Recipe(
    title: "Mean level of a detector, with its uncertainty",
    inputs: { "detector": Wave(unit: "V") },
    stages: { "level": Average(of: "detector") },
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
        let uncertainty = r
            .setting(
                "uncertainty",
                "where the uncertainty of the mean of a point comes from; blocks have their own scatter",
            )
            .default("Automatic")
            .choice(|c| {
                let method = |m| move |_: &mut Reader<'_>| From::Noise(m);
                c.variant(
                    "Automatic",
                    "10 stretches or more, else neighbouring frequencies",
                    method(Method::Automatic),
                )
                .variant(
                    "Stretches",
                    "stretches longer than the settling time",
                    method(Method::Stretches),
                )
                .variant(
                    "Neighbours",
                    "noise at neighbouring frequencies",
                    method(Method::Neighbours),
                )
                .variant("Density", "a known density of the noise", |r| {
                    let text = "density, in the flow's unit per sqrt(Hz): a constant or a quantity";
                    From::Density(Box::new(r.setting("", text).factor()))
                })
                .variant("Nothing", "it is not evaluated", |_| From::Nothing);
            });
        Box::new(Settings {
            skip: skip.unwrap_or(Skip::Time(0.0)),
            block: block.flatten(),
            uncertainty: uncertainty.unwrap_or(From::Nothing),
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

/// Where the uncertainty of the mean of a point comes from.
#[derive(Clone)]
enum From {
    Noise(Method),
    Density(Box<Constant>),
    Nothing,
}

struct Settings {
    skip: Skip,
    /// Seconds.
    block: Option<f64>,
    uncertainty: From,
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
    /// How a point can be cut into stretches; `None` when the rate is not known, or the chain too slow.
    fn grid(&self, input: &Flow) -> Option<Grid> {
        let rate = input.rate?;
        let period = input.frequency.or(input.expected).map_or(0.0, |f| rate / f);
        Some(Grid {
            base: if period.is_finite() {
                period.max(1.0)
            } else {
                1.0
            },
            settling: input.response.settling_time(0.01)?,
            rate,
            shape: input.response.noise_shape(rate)?,
            known: match input.response.awaits_frequency() {
                true => 0.0,
                false => input.response.flat_around_signal(),
            },
        })
    }

    /// Checks where the uncertainty comes from; whether there will be one, from what in words, and from stretches of
    /// what length.
    fn check_uncertainty(
        &self,
        input: &Flow,
        checker: &mut Checker<'_>,
    ) -> (bool, Option<String>, Option<f64>) {
        match &self.uncertainty {
            From::Noise(Method::Automatic) if self.block.is_some() => {
                let skip = self.skipped_time(input).unwrap_or(0.0);
                let blocks = self.whole_blocks(input, skip).zip(self.block);
                let told = blocks.filter(|(n, _)| *n > 1).map(|(n, length)| {
                    format!("{n} blocks of {length} s, {} degrees of freedom", n - 1)
                });
                (true, told, None)
            }
            _ if self.block.is_some() => {
                checker.error(
                    "uncertainty",
                    Code::OutOfRange,
                    "expected no other way where blocks are averaged, whose scatter is the uncertainty",
                    "leave it out, or average over the point",
                );
                (true, None, None)
            }
            From::Nothing => (false, None, None),
            From::Density(density) => {
                let unit = density
                    .unit
                    .mul(&density.unit)
                    .and_then(|u| u.mul(&Unit::hertz()));
                let fits = unit.and_then(|u| Ok(u.same_dimension(&input.unit.mul(&input.unit)?)));
                if fits != Ok(true) || density.value.is_nan() || density.value < 0.0 {
                    let message = format!(
                        "expected a density of zero or more in {}/sqrt(Hz), found `{}`",
                        input.unit, density.text
                    );
                    checker.error(
                        "uncertainty",
                        Code::Unit,
                        message,
                        "state it per root hertz, as in \"5 nV/sqrt(Hz)\", in the unit of what is averaged",
                    );
                }
                if input.convention == Some(Convention::Step) {
                    let message = "expected a peak or rms amplitude, found a full step";
                    let help = "express the average as a full step behind this stage";
                    checker.error("uncertainty", Code::WrongFlow, message, help);
                }
                (true, Some("the stated noise density".into()), None)
            }
            From::Noise(method) => {
                if let (Some(grid), Some(samples)) = (self.grid(input), self.averaged(input)) {
                    let found = grid.cut(samples, *method);
                    let message = match found {
                        None => Some(format!(
                            "the {} behind what is skipped hold fewer than {FEWEST} independent stretches; the \
                             uncertainty will not be evaluated",
                            seconds(samples as f64 / grid.rate)
                        )),
                        Some(cut) if (cut.count as u64) < FEW_BLOCKS => {
                            Some(few("stretches", cut.count as u64))
                        }
                        Some(_) => None,
                    };
                    if let Some(message) = message {
                        let help = "record longer points or filter less for a firmer figure; \
                                    or state the noise, as in `uncertainty: Density(\"20 nV/sqrt(Hz)\")`";
                        checker.warn("uncertainty", Code::Uncertainty, message, help);
                    }
                    let told = found.map(|cut| {
                        let what = match cut.method {
                            Method::Neighbours => "neighbouring frequencies, ",
                            _ => "",
                        };
                        let (n, freedom) = (cut.count, cut.count - 1);
                        format!(
                            "{what}{n} stretches of {:.3} s, {freedom} degrees of freedom",
                            cut.length
                        )
                    });
                    return (found.is_some(), told, found.map(|cut| cut.length));
                }
                (true, None, None)
            }
        }
    }

    /// Whole blocks behind what is skipped, in s, counted in samples as the kernel does; those at the start in
    /// which no sample can be there do not count.
    fn whole_blocks(&self, input: &Flow, skip: f64) -> Option<u64> {
        let rate = input.rate?;
        let left = input.length?.saturating_sub((skip * rate).ceil() as u64);
        let block = (self.block? * rate).round().max(1.0);
        let empty = ((input.missing.held - skip) * rate / block).max(0.0) as u64;
        Some((left / block as u64).saturating_sub(empty))
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
                format!("expected a settling time shorter than the point, found {} of {}", seconds(skip), seconds(duration)),
                "record longer points, filter less, or settle to a larger part",
            ),
            (Some(skip), _) if self.never_settles(input, skip) => checker.error(
                "of",
                Code::Time,
                "expected samples, found gaps in the sample times that leave no stretch in which the filters before it settle",
                "filter less, or cut the recording at its gaps",
            ),
            (_, Some(duration)) if input.missing.held >= duration => checker.error(
                "of",
                Code::Time,
                format!("expected samples in the {} of a point, found none before {}", seconds(duration), seconds(input.missing.held)),
                "record longer points, or average over fewer periods",
            ),
            (Some(skip), Some(duration)) => match self.whole_blocks(input, skip) {
                Some(found @ 0..2) => checker.error(
                    "over",
                    Code::Time,
                    format!("expected at least 2 blocks in the {} after settling, found {found}", seconds(duration - skip)),
                    "choose shorter blocks, or record longer points",
                ),
                Some(found) if found < FEW_BLOCKS => checker.warn(
                    "over",
                    Code::Uncertainty,
                    few("blocks", found),
                    format!("choose blocks for {FEW_BLOCKS} or more, or record longer points"),
                ),
                _ => {}
            },
            _ => {}
        }
        self.check_settled(input, checker);
        if let (Some(block), Some(settling)) = (self.block, input.response.settling_time(0.01))
            && block < settling
        {
            checker.warn(
                    "over",
                    Code::Time,
                    format!("blocks of {} are shorter than the settling time to 1 %, {}", seconds(block), seconds(settling)),
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
        let (evaluated, evaluation, stretches) = self.check_uncertainty(input, checker);
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
                evaluated,
                evaluation,
                stretches,
                rate: None,
                length: None,
                response,
                ..input.clone()
            },
        )]
    }

    fn leaves_out(&self, inputs: &[Flow]) -> f64 {
        let input = inputs.first();
        input.and_then(|i| self.skipped_time(i)).unwrap_or(0.0)
    }

    fn method(&self, inputs: &[Told<'_>]) -> Option<String> {
        self.told(inputs)
    }

    fn prepare(&self, inputs: &[Flow]) -> Result<Work, Fault> {
        let (input, rate) = sampled_input(inputs)?;
        let skip = self.skip(input, rate);
        let block = self.block(rate);
        let ripple = ripple(input);
        let noise = match &self.uncertainty {
            _ if block.is_some() => Noise::Blocks,
            From::Noise(method) => self
                .grid(input)
                .map_or(Noise::Unknown, |grid| Noise::Measured(grid, *method)),
            From::Density(density) => match input.response.noise_shape(rate) {
                Some(shape) => Noise::Stated(shape, per_root_hertz(density, input), rate),
                None => Noise::Unknown,
            },
            From::Nothing => Noise::Nothing,
        };
        Ok(Work::Stream(Box::new(move || {
            Box::new(Averaging::new(skip, block, rate, noise.clone(), ripple))
        })))
    }
}

/// Samples in a period of the ripple that a level in front of the mixing makes, where the frequency is known.
fn ripple(input: &Flow) -> Option<f64> {
    let (_, n, m) = input.clock.as_ref()?;
    let own = input.frequency.or(input.expected)? * f64::from(*n) / f64::from(*m);
    (input.kind == Kind::Phasor).then_some(input.rate? / own)
}

/// The square root of the two-sided density of noise in each part of the flow, and its degrees of freedom.
///
/// A wave of one-sided density S² has S²/2 two-sided; mixed to a peak amplitude, the noise of both sides of
/// the reference doubles it (each part is 2·x·sin or 2·x·cos), to an rms amplitude not. An uncertainty of the
/// density of a relative size r counts as 1/(2r²) degrees of freedom (JCGM 100:2008, G.4.2, eq. G.3).
fn per_root_hertz(density: &Constant, input: &Flow) -> (f64, f64) {
    let share = if input.convention == Some(Convention::Peak) && input.kind == Kind::Phasor {
        1.0
    } else {
        0.5
    };
    let relative = density.standard_uncertainty.unwrap_or(0.0) / density.value;
    (
        density.value * f64::sqrt(share),
        0.5 / (relative * relative),
    )
}

/// What is said of few degrees of freedom.
fn few(what: &str, count: u64) -> String {
    format!(
        "the scatter of {count} {what} has {} degrees of freedom only; it may be wrong by {:.0} %",
        count - 1,
        100.0 / (2.0 * (count - 1) as f64).sqrt()
    )
}
