//! Streaming kernel for a cascade of second-order sections.
//!
//! Each section runs in transposed direct form II:
//! `y = b0·x + s1`, `s1 ← b1·x − a1·y + s2`, `s2 ← b2·x − a2·y`. Every sample passes through the same
//! operations in the same order however the stream is cut, so the output is the same to the bit.

use core::ops::{Add, Mul, Sub};

use num_complex::Complex64;

use super::section::Section;

/// A sample that real coefficients can filter.
pub trait Sample:
    Copy + Default + Add<Output = Self> + Sub<Output = Self> + Mul<f64, Output = Self>
{
    /// Stands for a sample that is not there.
    const MISSING: Self;

    /// Whether the sample is not there.
    fn is_missing(self) -> bool;

    /// The sample, with parts too small to matter to any signal (below 10⁻²⁹⁰) set to zero.
    fn flushed(self) -> Self;
}

impl Sample for f64 {
    const MISSING: Self = f64::NAN;

    fn is_missing(self) -> bool {
        self.is_nan()
    }

    fn flushed(self) -> Self {
        if self.abs() < 1e-290 { 0.0 } else { self }
    }
}

impl Sample for Complex64 {
    const MISSING: Self = Complex64::new(f64::NAN, f64::NAN);

    fn is_missing(self) -> bool {
        self.re.is_nan() || self.im.is_nan()
    }

    fn flushed(self) -> Self {
        Self::new(self.re.flushed(), self.im.flushed())
    }
}

/// Samples between two looks at the states. Counted from the start of the stream, not of a chunk.
const FLUSH_EVERY: usize = 64;

/// A cascade of sections with its state.
#[derive(Clone, Debug)]
pub struct Cascade<S> {
    stages: Vec<Stage<S>>,
    /// Samples since the states were last flushed.
    since_flush: usize,
}

#[derive(Clone, Copy, Debug)]
struct Stage<S> {
    section: Section,
    state: [S; 2],
}

impl<S: Sample> Stage<S> {
    #[inline(always)]
    fn step(&mut self, x: S) -> S {
        let ([b0, b1, b2], [a1, a2]) = (self.section.b(), self.section.a());
        let [s1, s2] = self.state;
        let y = x * b0 + s1;
        self.state = [(x * b1 + s2) - y * a1, x * b2 - y * a2];
        y
    }
}

impl<S: Sample> Cascade<S> {
    /// The cascade at rest (all states zero). An empty one passes the samples through.
    pub fn new(sections: &[Section]) -> Self {
        let at_rest = |&section: &Section| Stage {
            section,
            state: [S::default(); 2],
        };
        Self {
            stages: sections.iter().map(at_rest).collect(),
            since_flush: 0,
        }
    }

    /// Filters the next samples of the stream in place.
    ///
    /// The states of a filter left without input decay until their arithmetic becomes very slow
    /// (subnormal numbers); they are therefore set to zero when below 10⁻²⁹⁰.
    pub fn process(&mut self, mut samples: &mut [S]) {
        while !samples.is_empty() {
            let room = FLUSH_EVERY - self.since_flush;
            let (now, later) = samples.split_at_mut(room.min(samples.len()));
            let (fours, rest) = self.stages.as_chunks_mut::<4>();
            for four in fours {
                run(four, now);
            }
            for stage in rest {
                run(core::array::from_mut(stage), now);
            }
            self.since_flush += now.len();
            if self.since_flush == FLUSH_EVERY {
                self.since_flush = 0;
                for stage in &mut self.stages {
                    stage.state = stage.state.map(S::flushed);
                }
            }
            samples = later;
        }
    }

    /// Puts the cascade back to rest, as new.
    pub fn reset(&mut self) {
        self.since_flush = 0;
        for stage in &mut self.stages {
            stage.state = [S::default(); 2];
        }
    }

    /// Sets the states as if the input had always been `x0`, so that a stream which begins there
    /// begins without a step.
    pub fn start_settled(&mut self, x0: S) {
        self.since_flush = 0;
        let mut x = x0;
        for stage in &mut self.stages {
            let ([b0, _, b2], [_, a2]) = (stage.section.b(), stage.section.a());
            let y = x * stage.section.dc_gain();
            stage.state = [y - x * b0, x * b2 - y * a2];
            x = y;
        }
    }
}

/// Several stages on a block. Walking them together for each sample lets the processor begin one
/// sample before it has ended the other; the numbers are those of one stage after the other.
fn run<S: Sample, const N: usize>(stages: &mut [Stage<S>; N], samples: &mut [S]) {
    let mut local = *stages;
    for sample in samples {
        let mut x = *sample;
        for stage in &mut local {
            x = stage.step(x);
        }
        *sample = x;
    }
    *stages = local;
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::design::Band;
    use super::super::design::DesignError;
    use super::super::design::Family;
    use super::super::design::design;
    use super::*;

    /// The difference equation of one section as it is written: direct form I.
    fn slow(sections: &[Section], input: &[f64]) -> Vec<f64> {
        sections.iter().fold(input.to_vec(), |x, section| {
            let ([b0, b1, b2], [a1, a2]) = (section.b(), section.a());
            let mut y: Vec<f64> = Vec::new();
            for n in 0..x.len() {
                let past = |v: &[f64], k: usize| if n >= k { v[n - k] } else { 0.0 };
                let feed = b0 * x[n] + b1 * past(&x, 1) + b2 * past(&x, 2);
                y.push(feed - a1 * past(&y, 1) - a2 * past(&y, 2));
            }
            y
        })
    }

    fn seven() -> Result<Vec<Section>, DesignError> {
        let family = Family::Elliptic {
            ripple_db: 0.1,
            attenuation_db: 80.0,
        };
        design(family, 13, Band::Low(90.0), 1000.0)
    }

    /// A fixed sequence without pattern, in ±1: a Weyl sequence with the golden ratio.
    fn samples(count: usize) -> Vec<f64> {
        let fraction = |n: usize| (n as f64 * 0.618_033_988_749_894_9).fract();
        (0..count).map(|n| 2.0 * fraction(n * n) - 1.0).collect()
    }

    #[test]
    fn hand_worked_response() -> Result<(), DesignError> {
        // y[n] = x[n] + 2x[n−1] + 3x[n−2] + y[n−1]/2 − y[n−2]/4.
        let section = Section::new([1.0, 2.0, 3.0], [-0.5, 0.25])?;
        let mut impulse = [1.0, 0.0, 0.0, 0.0];
        Cascade::new(&[section]).process(&mut impulse);
        assert_eq!(impulse, [1.0, 2.5, 4.0, 1.375]);
        assert_eq!(slow(&[section], &[1.0, 0.0, 0.0, 0.0]), impulse);
        Ok(())
    }

    #[test]
    fn equals_the_difference_equation() -> Result<(), DesignError> {
        let sections = seven()?;
        assert_eq!(sections.len(), 7);
        let input = samples(2000);
        let mut output = input.clone();
        Cascade::new(&sections).process(&mut output);
        for (fast, slow) in output.iter().zip(slow(&sections, &input)) {
            // Ten roundings of numbers below 10 in each of seven sections, for each sample; the
            // slowest pole, at radius 0.997, gathers those of about 300 samples at worst.
            assert!((fast - slow).abs() < 7.0 * 10.0 * 10.0 * 300.0 * f64::EPSILON);
        }
        Ok(())
    }

    proptest! {
        #[test]
        fn any_chunking_gives_the_same_bits(cuts in prop::collection::vec(0..300usize, 0..12)) {
            let sections = seven().map_err(|e| TestCaseError::fail(e.to_string()))?;
            let mut whole = samples(1000);
            let mut cut = whole.clone();
            Cascade::new(&sections).process(&mut whole);
            let mut cascade = Cascade::new(&sections);
            let mut rest = &mut cut[..];
            for size in cuts {
                let (now, later) = rest.split_at_mut(size.min(rest.len()));
                cascade.process(now);
                rest = later;
            }
            cascade.process(rest);
            prop_assert!(whole.iter().zip(&cut).all(|(a, b)| a.to_bits() == b.to_bits()));
        }
    }

    #[test]
    fn complex_samples_are_two_real_streams() -> Result<(), DesignError> {
        let sections = seven()?;
        let (mut re, mut im) = (samples(500), samples(600).split_off(100));
        let mut both: Vec<Complex64> = re
            .iter()
            .zip(&im)
            .map(|(&re, &im)| Complex64::new(re, im))
            .collect();
        Cascade::new(&sections).process(&mut both);
        Cascade::new(&sections).process(&mut re);
        Cascade::new(&sections).process(&mut im);
        for ((both, re), im) in both.iter().zip(&re).zip(&im) {
            assert_eq!(
                (both.re.to_bits(), both.im.to_bits()),
                (re.to_bits(), im.to_bits())
            );
        }
        Ok(())
    }

    #[test]
    fn a_settled_start_has_no_step_and_reset_forgets() -> Result<(), DesignError> {
        let sections = seven()?;
        let mut cascade = Cascade::new(&sections);
        cascade.start_settled(3.0);
        let mut constant = [3.0; 500];
        cascade.process(&mut constant);
        // As above: the roundings gathered by the slowest pole.
        let bound = 3.0 * 7.0 * 10.0 * 10.0 * 300.0 * f64::EPSILON;
        assert!(constant.iter().all(|y| (y - 3.0).abs() < bound));

        let mut fresh = samples(100);
        let mut again = fresh.clone();
        Cascade::new(&sections).process(&mut fresh);
        cascade.reset();
        cascade.process(&mut again);
        assert_eq!(fresh, again);
        Ok(())
    }

    #[test]
    fn silence_ends_in_zeros_and_nan_is_kept() -> Result<(), DesignError> {
        let mut cascade = Cascade::new(&seven()?);
        let mut burst = samples(1000);
        cascade.process(&mut burst);
        // Radius 0.997 needs 668 / 0.003 samples for 290 decades.
        let mut silence = vec![0.0; 400_000];
        cascade.process(&mut silence);
        assert!(silence.iter().rev().take(1000).all(|&y| y == 0.0));
        assert!(silence.iter().all(|&y| y == 0.0 || y.is_normal()));

        let mut broken = [1.0, f64::NAN, 1.0];
        cascade.process(&mut broken);
        assert!(broken[0].is_finite() && broken[1].is_nan() && broken[2].is_nan());
        Ok(())
    }
}
