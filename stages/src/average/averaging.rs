//! The kernel of `Average`: the mean, and what its uncertainty is made of.

use std::sync::Arc;

use num_complex::Complex64;
use phasemill_engine::flow::{Buffer, Samples};
use phasemill_engine::response::NoiseShape;
use phasemill_engine::stage::{Closing, Fault, Kernel, Span};
use phasemill_engine::value::{About, Estimate, Evaluation, Part, Reach, Value};

use crate::math::patterns::Ends;
use crate::math::slow::SLOWEST;
use crate::math::stretches::{FEWEST, Grid, Method, Pieces};
use crate::math::sums::ComplexMoments;

use super::remarks::{remarks, seconds};

/// Blocks whose deviations are kept one by one, so that channels averaged alike know their correlation.
const KEPT_BLOCKS: usize = 64;

/// What a kernel knows of the noise.
#[derive(Clone)]
pub(super) enum Noise {
    Blocks,
    Measured(Grid, Method),
    /// Shape, square root of the two-sided density at the signal with its degrees of freedom, samples per
    /// second.
    Stated(NoiseShape, (f64, f64), f64),
    /// The chain is too slow to be followed.
    Unknown,
    Nothing,
}

pub(super) struct Averaging {
    skip: u64,
    /// Seconds that are skipped.
    start: f64,
    block: Option<u64>,
    /// Samples that have passed, those left out included.
    seen: u64,
    /// Those before the first that is there and counts, and up to the last.
    there: Option<(u64, u64)>,
    /// Of the point, or of the block that is filling.
    samples: ComplexMoments,
    /// Of the means of whole blocks.
    blocks: ComplexMoments,
    /// The means of the first whole blocks, as long as they are few.
    means: Vec<Complex64>,
    /// Samples missing in whole blocks.
    missing: u64,
    pieces: Pieces,
    noise: Noise,
    /// Seconds of a block.
    length: f64,
    /// What shows a ripple of the reference.
    ends: Option<Ends>,
    /// Whether samples have an in-phase and a quadrature part.
    phasor: bool,
}

impl Averaging {
    /// Averages what comes after `skip` samples at `rate`, in blocks of `block` samples if there are any. A level in
    /// front of the mixing makes a ripple of so many samples a period.
    pub(super) fn new(
        skip: u64,
        block: Option<u64>,
        rate: f64,
        noise: Noise,
        ripple: Option<f64>,
    ) -> Self {
        let measured = matches!(noise, Noise::Measured(..));
        let base = match &noise {
            Noise::Measured(grid, _) => grid.base,
            _ => 1.0,
        };
        Averaging {
            skip,
            start: skip as f64 / rate,
            block,
            seen: 0,
            there: None,
            samples: ComplexMoments::default(),
            blocks: ComplexMoments::default(),
            means: Vec::new(),
            missing: 0,
            pieces: Pieces::new(base),
            noise,
            length: block.map_or(0.0, |block| block as f64 / rate),
            ends: ripple.filter(|_| measured).and_then(Ends::new),
            phasor: false,
        }
    }

    fn take(&mut self, samples: &[Complex64]) {
        let skipped = self.skip.saturating_sub(self.seen);
        let skipped = skipped.min(samples.len() as u64);
        self.seen += skipped;
        let mut samples = &samples[skipped as usize..];
        while !samples.is_empty() {
            let room = self
                .block
                .map_or(u64::MAX, |block| block - (self.seen - self.skip) % block);
            let (now, later) = samples.split_at(room.min(samples.len() as u64) as usize);
            self.count(now);
            samples = later;
            if let Some(block) = self.block
                && (self.seen - self.skip).is_multiple_of(block)
            {
                self.end_block();
            }
        }
    }

    /// Takes samples that count, and at most the rest of a block.
    fn count(&mut self, samples: &[Complex64]) {
        let is_there = |z: &Complex64| !z.re.is_nan();
        if let Some(last) = samples.iter().rposition(is_there) {
            let here = samples.iter().position(is_there).unwrap_or(last);
            let first = self
                .there
                .map_or(self.seen + here as u64, |(first, _)| first);
            self.there = Some((first, self.seen + last as u64 + 1));
        }
        self.seen += samples.len() as u64;
        self.samples.extend(samples);
        if let Noise::Measured(..) = self.noise {
            self.pieces.extend(samples);
            if let Some(ends) = &mut self.ends {
                ends.extend(samples);
            }
        }
    }

    fn end_block(&mut self) {
        self.missing += self.samples.missing();
        // A block without any sample is left out.
        let mean = if self.samples.count() == 0 {
            Complex64::new(f64::NAN, f64::NAN)
        } else {
            self.samples.mean()
        };
        self.blocks.push(mean);
        if self.means.len() <= KEPT_BLOCKS {
            self.means.push(mean);
        }
        self.samples = ComplexMoments::default();
    }

    /// The parts of the uncertainty of the mean, and what to remark on.
    fn parts(&self) -> (Option<Vec<Part>>, Vec<String>) {
        let start = self.start;
        if self.is_still() {
            let remark = "uncertainty not evaluated: all that was averaged is equal, so that no scatter tells it";
            return (None, vec![remark.into()]);
        }
        match &self.noise {
            Noise::Blocks => (Some(self.of_blocks()), Vec::new()),
            Noise::Nothing => (None, Vec::new()),
            Noise::Unknown => {
                let remark =
                    "uncertainty not evaluated: the chain before is too slow to be followed";
                (None, vec![remark.into()])
            }
            Noise::Stated(shape, (density, freedom), rate) => {
                let variance = shape.mean_variance(self.samples.count() as f64 / rate);
                let u = density * variance.sqrt();
                let about = Arc::new(About {
                    evaluation: Evaluation::Stated,
                    ..About::new("stated noise density", Reach::Node, *freedom)
                });
                let part = |index, effect| Part::new(&about, index, effect);
                let parts = vec![
                    part(0, Complex64::new(u, 0.0)),
                    part(1, Complex64::new(0.0, u)),
                ];
                (Some(parts), Vec::new())
            }
            Noise::Measured(grid, method) => {
                let samples = self.samples.count();
                let Some(found) = grid.evaluate(&self.pieces, samples, *method) else {
                    let length = (self.seen.saturating_sub(self.skip)) as f64 / grid.rate;
                    let remark = format!(
                        "uncertainty not evaluated: expected at least {FEWEST} independent stretches, found fewer \
                         in the {} that were averaged; record longer, or filter less",
                        seconds(length)
                    );
                    return (None, vec![remark]);
                };
                let cut = found.cut;
                let what = match cut.method {
                    Method::Neighbours => {
                        format!("noise within {} Hz of the signal", exact(0.5 / cut.length))
                    }
                    _ => "noise".into(),
                };
                let name = format!(
                    "{what}, {} stretches of {} s from {} s",
                    found.effects.len(),
                    exact(cut.length),
                    exact(start)
                );
                let about = About::scatter(name, Reach::Point, found.freedom);
                let parts = found.effects.iter().map(|(i, e)| Part::new(&about, *i, *e));
                // Of any chain: what wanders is slow against all of them.
                let slow = "changes within the point beyond white noise";
                let slow = About::scatter(slow, Reach::Point, SLOWEST as f64);
                let more = found.slow.iter().map(|(i, e)| Part::new(&slow, *i, *e));
                let [xx, yy, _] = self.samples.covariance();
                let shift = self.ends.as_ref().and_then(|ends| ends.shift(xx + yy));
                let remarks = remarks(self.samples.mean(), self.phasor, &found, shift);
                (Some(parts.chain(more).collect()), remarks)
            }
        }
    }

    /// Whether scatter is to tell the uncertainty and there is none, as where nothing was recorded.
    fn is_still(&self) -> bool {
        let moments = match &self.noise {
            Noise::Blocks => &self.blocks,
            Noise::Measured(..) => &self.samples,
            Noise::Stated(..) | Noise::Unknown | Noise::Nothing => return false,
        };
        let [xx, yy, _] = moments.covariance();
        moments.count() > 1 && xx + yy == 0.0
    }

    /// The samples that the mean was taken of, where none between them is missing.
    fn span(&self) -> Option<Span> {
        match self.block {
            Some(block) => (self.missing == 0).then(|| Span {
                first: self.skip,
                samples: self.blocks.count() * block,
            }),
            None => {
                let (first, end) = self.there?;
                let samples = end - first;
                (samples == self.samples.count()).then_some(Span { first, samples })
            }
        }
    }

    /// The scatter of blocks: one component for each while they are few, else two for their covariance.
    fn of_blocks(&self) -> Vec<Part> {
        let n = self.blocks.count() as f64;
        if self.means.len() > KEPT_BLOCKS {
            let [xx, yy, xy] = self.blocks.covariance();
            return parts([xx / n, yy / n, xy / n], n - 1.0);
        }
        let name = format!(
            "blocks of {} s from {} s",
            exact(self.length),
            exact(self.start)
        );
        let about = About::scatter(name, Reach::Point, n - 1.0);
        let (mean, scale) = (self.blocks.mean(), 1.0 / (n * (n - 1.0)).sqrt());
        let there = (0u32..).zip(&self.means).filter(|(_, m)| !m.re.is_nan());
        there
            .map(|(i, m)| Part::new(&about, i, (m - mean) * scale))
            .collect()
    }
}

impl Kernel for Averaging {
    fn run(&mut self, inputs: &[Samples<'_>], _: &mut [Buffer]) -> Result<(), Fault> {
        match inputs.first() {
            Some(Samples::Phasor(samples)) => {
                self.phasor = true;
                self.take(samples);
            }
            Some(Samples::Wave(samples)) => {
                let mut some = [Complex64::ZERO; 256];
                for samples in samples.chunks(some.len()) {
                    let some = &mut some[..samples.len()];
                    let parts = some.iter_mut().zip(samples);
                    parts.for_each(|(z, x)| *z = Complex64::new(*x, 0.0));
                    self.take(some);
                }
            }
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
        let [xx, yy, _] = moments.covariance();
        let (parts, remarks) = self.parts();
        let estimate = Estimate {
            value: moments.mean(),
            parts,
            scatter: (count > 1).then(|| Complex64::new(xx.sqrt(), yy.sqrt())),
            count: Some(count),
            missing,
            drawn: None,
        };
        Ok(Closing {
            values: vec![Value::Estimate(estimate)],
            remarks,
            span: self.span(),
            ..Closing::default()
        })
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

/// A number in the name of a source, which tells sources apart: to a millionth, without idle zeros.
fn exact(x: f64) -> String {
    let text = format!("{x:.6}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}
