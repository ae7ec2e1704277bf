//! Turns of the samples of a window, where the clock was found in the samples and is not steady.

use std::f64::consts::TAU;

use multiversion::multiversion;
use num_complex::Complex64;

use super::lanes::{LANES, Lanes};
use crate::flow::harmonic;
use crate::stage::{PhaseLine, Phases};

/// Turns that follow from one of them at once.
const WIDE: usize = 2 * LANES;

/// Most turns that follow from a phase, so that little rounds.
const MOST: u64 = 512;

/// Turns `sin + i·cos` by place in a window.
#[derive(Default)]
pub struct Turns {
    /// Real parts.
    pub cosines: Vec<f64>,
    /// Imaginary parts.
    pub sines: Vec<f64>,
    /// Where the clock was found to be last.
    place: usize,
    run: Run,
}

impl Turns {
    /// None yet, for windows of so many places.
    pub fn new(places: usize) -> Self {
        Turns {
            cosines: vec![0.0; places],
            sines: vec![0.0; places],
            ..Turns::default()
        }
    }

    /// Those of samples `start` to `end`, which is behind the last place, at the harmonic n/m of a clock. Unknown
    /// phases, and a harmonic above half the sample rate, give NaN. Where the samples follow those before, so do the
    /// turns.
    pub fn fill(&mut self, phases: &dyn Phases, harmonic: (u32, u32), start: u64, end: u64) {
        let first = self.cosines.len() - (end - start) as usize;
        self.cosines[..first].fill(0.0);
        self.sines[..first].fill(0.0);
        let mut at = start;
        while at < end {
            if at != self.run.next || at == self.run.end {
                let line = phases.line_behind(at, &mut self.place);
                self.run = Run::new(&line, harmonic, at);
            }
            let until = self.run.end.min(end);
            let places = first + (at - start) as usize..first + (until - start) as usize;
            let (cosines, sines) = (&mut self.cosines[places.clone()], &mut self.sines[places]);
            go_on(&mut self.run, cosines, sines);
            at = until;
        }
    }
}

/// Real and imaginary parts by lane.
type Numbers = [Lanes; 2];

/// A run of turns that grow by the same part of a cycle from one to the next.
struct Run {
    /// The turn of the next sample.
    turn: Complex64,
    /// That many samples on it is multiplied by these.
    powers: [Numbers; 2],
    /// Sixteen samples on it is multiplied by this.
    step: Complex64,
    /// The next sample, and the one behind the last.
    next: u64,
    end: u64,
}

impl Default for Run {
    fn default() -> Self {
        Run {
            turn: Complex64::ZERO,
            powers: [[Lanes::ZERO; 2]; 2],
            step: Complex64::ZERO,
            next: 0,
            end: 0,
        }
    }
}

impl Run {
    /// From sample `at` on, where the phase goes on in this line.
    fn new(line: &PhaseLine, (n, m): (u32, u32), at: u64) -> Self {
        let slope = line.slope * (f64::from(n) / f64::from(m));
        let origin = match slope.abs() < 0.5 {
            true => harmonic(line.phase, n, m),
            false => f64::NAN,
        };
        // i·exp(-iθ) goes on by exp(-2πi·slope). Of a larger step sine and cosine are taken anew: a power would have
        // the error of the small one so many times.
        let far = WIDE as f64 * slope;
        Run {
            turn: Complex64::I * unit(-origin),
            powers: powers(unit(-slope)),
            step: unit(far.round() - far),
            next: at,
            end: line.end.min(at + MOST),
        }
    }
}

/// `exp(2πi·cycles)`.
fn unit(cycles: f64) -> Complex64 {
    let (sin, cos) = libm::sincos(TAU * cycles);
    Complex64::new(cos, sin)
}

/// The powers of a step from 0 to 15.
#[multiversion(targets("x86_64+avx2+avx512f+avx512vl", "x86_64+avx2"))]
fn powers(mut step: Complex64) -> [Numbers; 2] {
    let mut near = all(Complex64::ONE);
    for bit in 0..LANES.ilog2() {
        let at = |lane: usize| lane >> bit & 1 == 1;
        let re = Lanes::of(|l| if at(l) { step.re } else { 1.0 });
        let im = Lanes::of(|l| if at(l) { step.im } else { 0.0 });
        near = product(&near, &[re, im]);
        step *= step;
    }
    [near, product(&near, &all(step))]
}

/// The next turns of a run: sixteen at a time are one turn times the powers, and that turn follows from the one before.
#[multiversion(targets("x86_64+avx2+avx512f+avx512vl", "x86_64+avx2"))]
fn go_on(run: &mut Run, cosines: &mut [f64], sines: &mut [f64]) {
    let (mut turn, step, powers) = (run.turn, run.step, run.powers);
    let length = cosines.len();
    let (groups, rest) = cosines.as_chunks_mut::<WIDE>();
    let (other, other_rest) = sines.as_chunks_mut::<WIDE>();
    for (cosines, sines) in groups.iter_mut().zip(other) {
        write(&powers, turn, cosines, sines);
        turn *= step;
    }
    let (mut cosines, mut sines) = ([0.0; WIDE], [0.0; WIDE]);
    write(&powers, turn, &mut cosines, &mut sines);
    rest.copy_from_slice(&cosines[..rest.len()]);
    other_rest.copy_from_slice(&sines[..other_rest.len()]);
    run.turn = Complex64::new(cosines[rest.len()], sines[rest.len()]);
    run.next += length as u64;
}

/// A number in all lanes.
#[inline(always)]
fn all(z: Complex64) -> Numbers {
    [Lanes::of(|_| z.re), Lanes::of(|_| z.im)]
}

/// The products lane by lane.
#[inline(always)]
fn product([a, b]: &Numbers, [c, d]: &Numbers) -> Numbers {
    let re = Lanes::of(|l| a.0[l] * c.0[l] - b.0[l] * d.0[l]);
    let im = Lanes::of(|l| a.0[l] * d.0[l] + b.0[l] * c.0[l]);
    [re, im]
}

/// A turn times powers.
#[inline(always)]
fn write(
    powers: &[Numbers; 2],
    turn: Complex64,
    cosines: &mut [f64; WIDE],
    sines: &mut [f64; WIDE],
) {
    let (cosines, _) = cosines.as_chunks_mut::<LANES>();
    let (sines, _) = sines.as_chunks_mut::<LANES>();
    for ((cosines, sines), powers) in cosines.iter_mut().zip(sines).zip(powers) {
        let [re, im] = product(powers, &all(turn));
        (*cosines, *sines) = (re.0, im.0);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::flow::Phase;

    /// A clock whose pace changes every `stretch` samples and which stops for the last tenth of them. Its phase is
    /// exact: it counts in 2^-32 cycles.
    struct Changing {
        slopes: Vec<u64>,
        stretch: u64,
    }

    impl Changing {
        fn phase(&self, sample: u64) -> Phase {
            let whole = (0..sample / self.stretch).map(|k| self.slope(k) * self.stretch);
            let count =
                whole.sum::<u64>() + self.slope(sample / self.stretch) * (sample % self.stretch);
            let fraction = match sample % self.stretch < self.stretch - self.stretch / 10 {
                true => (count & 0xffff_ffff) as f64 / 2f64.powi(32),
                false => f64::NAN,
            };
            Phase {
                cycle: (count >> 32) as i64,
                fraction,
            }
        }

        fn slope(&self, stretch: u64) -> u64 {
            self.slopes[stretch as usize % self.slopes.len()]
        }
    }

    impl Phases for Changing {
        fn line(&self, sample: u64) -> PhaseLine {
            let phase = self.phase(sample);
            let stretch = sample / self.stretch;
            let end = (stretch + 1) * self.stretch - self.stretch / 10;
            PhaseLine {
                phase,
                slope: self.slope(stretch) as f64 / 2f64.powi(32),
                end: if phase.fraction.is_nan() {
                    sample + 1
                } else {
                    end
                },
            }
        }
    }

    /// Windows that follow each other, as turns go on from one to the next; one that does not; and a harmonic of which
    /// a pace is above half the sample rate.
    #[test]
    fn turns_go_on_from_window_to_window() {
        let clock = |stretch| Changing {
            slopes: [0.0034, 0.0171, 0.1234, 0.2718]
                .map(|s| (s * 2f64.powi(32)) as u64)
                .to_vec(),
            stretch,
        };
        for (clock, harmonic) in [
            (clock(289), (1, 1)),
            (clock(5000), (2, 1)),
            (clock(777), (1, 3)),
        ] {
            let mut turns = Turns::new(256);
            let mut start = 17;
            for window in 0..90 {
                let end = start + [256, 256, 196, 1][window % 4];
                turns.fill(&clock, harmonic, start, end);
                let first = 256 - (end - start) as usize;
                assert!(
                    turns.cosines[..first]
                        .iter()
                        .chain(&turns.sines[..first])
                        .all(|v| *v == 0.0)
                );
                for (place, sample) in (first..).zip(start..end) {
                    check(
                        &clock,
                        harmonic,
                        sample,
                        [turns.cosines[place], turns.sines[place]],
                    );
                }
                start = if window == 40 { end + 1000 } else { end };
            }
        }
    }

    /// Rounded are the angle of a step of sixteen, by up to 2^-53 of half a cycle or 3.5e-16, and its sine and cosine,
    /// by 1e-16: 1.4e-14 when it is taken 32 times. Of a small step, here up to 0.3 cycles, it is 3e-16, or 5e-15 when
    /// it is taken 15 times.
    fn check(clock: &Changing, (n, m): (u32, u32), sample: u64, [re, im]: [f64; 2]) {
        let phase = clock.phase(sample);
        let pace = clock.line(sample).slope * f64::from(n) / f64::from(m);
        if phase.fraction.is_nan() || pace >= 0.5 {
            return assert!(re.is_nan() && im.is_nan(), "{sample}");
        }
        let (sin, cos) = libm::sincos(TAU * harmonic(phase, n, m));
        assert!(
            (re - sin).hypot(im - cos) < 2e-14,
            "{sample}: {:e} {:e}",
            re - sin,
            im - cos
        );
    }
}
