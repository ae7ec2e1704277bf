//! Shapes in time: phase of a drifting clock, chopped light, edges of a chopper, mains lines.

use std::f64::consts::PI;

use crate::noise::Normals;

/// sin(2π·`cycles` + `degrees`).
#[must_use]
pub fn sine(cycles: f64, degrees: f64) -> f64 {
    // The whole part is taken off first, so that a long record loses no digits.
    libm::sin(2.0 * PI * (cycles - cycles.floor() + degrees / 360.0))
}

/// `count` numbers evenly from `first` to `last`; their middle if there is one only.
#[must_use]
pub fn evenly(first: f64, last: f64, count: usize) -> Vec<f64> {
    if count == 1 {
        return vec![0.5 * (first + last)];
    }
    (0..count)
        .map(|i| first + (last - first) * i as f64 / (count - 1) as f64)
        .collect()
}

/// Phase of a clock whose frequency swings slowly and which may come to a stop.
#[derive(Debug, Clone, Copy, Default)]
pub struct Clock {
    /// Phase at time 0, in cycles.
    pub start: f64,
    /// Middle frequency in Hz.
    pub frequency: f64,
    /// Peak of the swing in Hz.
    pub swing: f64,
    /// Frequency of the swing in Hz, above 0 when there is a swing.
    pub swing_rate: f64,
    /// Phase of the swing at time 0, in cycles.
    pub swing_start: f64,
    /// Time in seconds when it begins to slow down, and the time it takes to stop.
    pub stop: Option<(f64, f64)>,
}

impl Clock {
    /// Phase in cycles at `time` in seconds: the integral of the frequency
    /// `frequency` + `swing`·sin(2π(`swing_rate`·t + `swing_start`)).
    #[must_use]
    pub fn phase(&self, time: f64) -> f64 {
        let time = match self.stop {
            // The speed falls evenly to nothing, which is as if time did.
            Some((from, coast)) if time > from => {
                let since = (time - from).min(coast);
                from + since - since * since / (2.0 * coast)
            }
            _ => time,
        };
        let steady = self.start + self.frequency * time;
        if self.swing == 0.0 {
            return steady;
        }
        let cosine = |cycles: f64| sine(cycles, 90.0);
        steady
            + self.swing / (2.0 * PI * self.swing_rate)
                * (cosine(self.swing_start) - cosine(self.swing_rate * time + self.swing_start))
    }

    /// Mean frequency in Hz over the first `seconds`.
    #[must_use]
    pub fn mean_frequency(&self, seconds: f64) -> f64 {
        (self.phase(seconds) - self.phase(0.0)) / seconds
    }
}

/// Height at `phase` (cycles) of a trapezoid between 0 and 1 whose flanks take `flank` of a period.
/// The middle of the rising flank is at a whole phase, that of the falling flank half a period on.
#[must_use]
pub fn trapezoid(phase: f64, flank: f64) -> f64 {
    let rising = phase - (phase + 0.25).floor();
    let distance = if rising < 0.25 { rising } else { 0.5 - rising };
    (distance / flank + 0.5).clamp(0.0, 1.0)
}

/// Peak amplitude of the fundamental of [`trapezoid`]: (2/π)·sin(πd)/(πd) for a flank of d periods, by
/// Fourier's integral; the square wave's 2/π, averaged over the flank.
#[must_use]
pub fn trapezoid_fundamental(flank: f64) -> f64 {
    2.0 / PI * libm::sin(PI * flank) / (PI * flank)
}

/// The edges that a chopper's sensor reports, each a little early or late.
#[derive(Debug, Clone)]
pub struct Edges {
    jitter: Vec<f64>,
    rise: f64,
}

impl Edges {
    /// Edges up to `cycles`, with a standard deviation of `jitter` and a rise time of `rise`, both in
    /// cycles.
    #[must_use]
    pub fn new(mut normals: Normals, cycles: f64, jitter: f64, rise: f64) -> Self {
        let count = (2.0 * cycles).ceil() as usize + 2;
        Edges {
            jitter: (0..count).map(|_| jitter * normals.draw()).collect(),
            rise,
        }
    }

    /// Level from 0 to 1 at `phase` in cycles.
    #[must_use]
    pub fn level(&self, phase: f64) -> f64 {
        let edge = (2.0 * phase).round();
        let late = self.jitter.get(edge as usize).copied().unwrap_or(0.0);
        let height = ((phase - 0.5 * edge - late) / self.rise + 0.5).clamp(0.0, 1.0);
        if edge % 2.0 == 0.0 {
            height
        } else {
            1.0 - height
        }
    }
}

/// Lines of the mains in a channel.
#[derive(Debug, Clone)]
pub struct Hum {
    lines: Vec<(f64, f64, f64)>,
}

impl Hum {
    /// Lines of the given frequencies in Hz and peak amplitudes, at random phases.
    #[must_use]
    pub fn new(mut normals: Normals, lines: &[(f64, f64)]) -> Self {
        Hum {
            lines: lines
                .iter()
                .map(|&(frequency, amplitude)| (frequency, amplitude, normals.uniform()))
                .collect(),
        }
    }

    /// Their sum at `time` in seconds.
    #[must_use]
    pub fn at(&self, time: f64) -> f64 {
        self.lines
            .iter()
            .filter(|(_, amplitude, _)| *amplitude != 0.0)
            .map(|(frequency, amplitude, start)| amplitude * sine(frequency * time + start, 0.0))
            .sum()
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use crate::Settings;

    /// Projects `values` on sin and cos of `harmonic` times the `phase` in cycles: A·cos θ and A·sin θ
    /// of A·sin(2πnφ + θ). Whole periods only, under a Hann window, which keeps the offset and the other
    /// harmonics out although the samples do not fall on the ends of a period.
    pub(crate) fn project(values: &[f64], phase: &[f64], harmonic: f64) -> (f64, f64) {
        let first = phase[0].ceil();
        let periods = phase[phase.len() - 1].floor() - first;
        assert!(periods >= 8.0, "{periods} periods are too few for a window");
        let (mut in_phase, mut quadrature, mut weights) = (0.0, 0.0, 0.0);
        for (value, phase) in values.iter().zip(phase) {
            let place = (phase - first) / periods;
            if (0.0..1.0).contains(&place) {
                let weight = sine(0.5 * place, 0.0).powi(2);
                in_phase += weight * value * sine(harmonic * phase, 0.0);
                quadrature += weight * value * sine(harmonic * phase, 90.0);
                weights += weight;
            }
        }
        (2.0 * in_phase / weights, 2.0 * quadrature / weights)
    }

    #[test]
    fn projection_finds_a_known_sine() {
        let phase: Vec<f64> = (0..5_000).map(|k| 0.3 + f64::from(k) * 0.0123).collect();
        let values: Vec<f64> = phase.iter().map(|p| 7.0 + 2.0 * sine(*p, 30.0)).collect();
        let (x, y) = project(&values, &phase, 1.0);
        // The side lobes of a Hann window fall as 1/n³: at n = 61 periods the offset leaves 7/(2·61³),
        // and the image of the sine at twice the frequency less.
        assert!((x - 2.0 * 0.75_f64.sqrt()).abs() < 2e-5, "{x}");
        assert!((y - 1.0).abs() < 2e-5, "{y}");
    }

    #[test]
    fn fundamental_of_the_trapezoid_is_the_fourier_integral() {
        for flank in [0.02, 0.1, 0.5] {
            let n = 20_000;
            let sum: f64 = (0..n)
                .map(|k| (f64::from(k) + 0.5) / f64::from(n))
                .map(|phase| 2.0 * trapezoid(phase, flank) * sine(phase, 0.0))
                .sum();
            // Midpoint rule: the harmonics near n fold on the fundamental, less than 4/(π²·d·n²).
            let limit = 4.0 / (PI * PI * flank * f64::from(n * n)) + 1e-12;
            assert!((sum / f64::from(n) - trapezoid_fundamental(flank)).abs() < limit);
        }
    }

    #[test]
    fn trapezoid_by_hand() {
        let heights = [0.0, 0.005, 0.25, 0.495, 0.5, 0.75, -0.005].map(|p| trapezoid(p, 0.02));
        for (found, expected) in heights.iter().zip([0.5, 0.75, 1.0, 0.75, 0.5, 0.0, 0.25]) {
            // Rounding of the phase, 1e-16, divided by the flank.
            assert!((found - expected).abs() < 1e-13, "{heights:?}");
        }
    }

    #[test]
    fn a_stopped_clock_stands_still() {
        let clock = Clock {
            frequency: 100.0,
            stop: Some((1.0, 0.5)),
            ..Clock::default()
        };
        assert_eq!(clock.phase(1.0), 100.0);
        assert_eq!(clock.phase(1.5), 125.0);
        assert_eq!(clock.phase(9.0), 125.0);
    }

    #[test]
    fn phase_is_the_integral_of_the_frequency() {
        let clock = Clock {
            frequency: 20.0,
            swing: 0.5,
            swing_rate: 0.3,
            swing_start: 0.1,
            ..Clock::default()
        };
        let step = 1e-3;
        let slope = (clock.phase(2.0 + step) - clock.phase(2.0 - step)) / (2.0 * step);
        // The third derivative is at most 0.5·(2π·0.3)² = 1.8, so the central difference is off by
        // 1.8·step²/6.
        assert!((slope - 20.0 - 0.5 * sine(0.3 * 2.0 + 0.1, 0.0)).abs() < 4e-7);
    }

    #[test]
    fn edges_are_where_they_should_be() {
        let normals = Normals::new(&Settings::default(), 0, 0, 0);
        let edges = Edges::new(normals, 3.0, 0.0, 0.01);
        let levels = [0.0, 0.25, 0.5, 0.75, 1.0, 2.25].map(|p| edges.level(p));
        assert_eq!(levels, [0.5, 1.0, 0.5, 0.0, 0.5, 1.0]);
    }
}
