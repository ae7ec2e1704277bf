//! The numbers that an estimate is shown as: its value, or the parts, amplitude and phase of a complex one.

use num_complex::Complex64;

use crate::value::{Contribution, Coverage, Estimate};

/// Uncertainty of one number of an estimate.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Interval {
    /// Standard uncertainty.
    pub u: f64,
    /// Effective degrees of freedom; NaN where the interval was drawn and not computed.
    pub degrees_of_freedom: f64,
    /// Lower end of the 95 % interval.
    pub low: f64,
    /// Its upper end.
    pub high: f64,
}

/// One number of an estimate.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Aspect {
    /// The value of a real estimate.
    Value,
    /// The part in phase with the reference.
    InPhase,
    /// The part a quarter of a period ahead.
    Quadrature,
    /// The size of both.
    Amplitude,
    /// Their angle, in rad.
    Phase,
}

impl Aspect {
    /// Those of a real or a complex estimate.
    pub fn all(complex: bool) -> &'static [Aspect] {
        if complex {
            &[
                Aspect::InPhase,
                Aspect::Quadrature,
                Aspect::Amplitude,
                Aspect::Phase,
            ]
        } else {
            &[Aspect::Value]
        }
    }

    /// The name in result files and tables.
    pub fn name(self) -> &'static str {
        match self {
            Aspect::Value => "value",
            Aspect::InPhase => "in_phase",
            Aspect::Quadrature => "quadrature",
            Aspect::Amplitude => "amplitude",
            Aspect::Phase => "phase",
        }
    }

    /// The name in a sentence.
    pub fn words(self) -> &'static str {
        match self {
            Aspect::InPhase => "in phase",
            other => other.name(),
        }
    }

    /// The number, in SI units.
    pub fn of(self, estimate: &Estimate) -> f64 {
        let z = estimate.value;
        match self {
            Aspect::Value | Aspect::InPhase => z.re,
            Aspect::Quadrature => z.im,
            Aspect::Amplitude => libm::hypot(z.re, z.im),
            Aspect::Phase => libm::atan2(z.im, z.re),
        }
    }

    /// What the number changes by, to first order, when the estimate changes by `effect`. A complex value
    /// of zero has neither amplitude nor phase to first order: NaN.
    pub fn change(self, estimate: &Estimate, effect: Complex64) -> f64 {
        self.direction(estimate).map_or(f64::NAN, |(along, scale)| {
            (along.re * effect.re + along.im * effect.im) / scale
        })
    }

    /// Standard uncertainty to first order (JCGM 100:2008, 5.2.2), with its effective degrees of freedom;
    /// `None` where it was not evaluated, or has no first order.
    pub fn uncertainty(self, estimate: &Estimate) -> Option<(f64, f64)> {
        let (along, scale) = self.direction(estimate)?;
        let (u, freedom) = estimate.uncertainty_along(along)?;
        Some((u / scale, freedom))
    }

    /// Standard uncertainty and 95 % interval: drawn where the estimate says so, else to first order with
    /// Student's t (JCGM 100:2008, G.3); `None` where it was not evaluated.
    pub fn interval(self, estimate: &Estimate, coverage: &mut Coverage) -> Option<Interval> {
        if let Some(drawn) = &estimate.drawn {
            let all = Aspect::all(drawn.len() > 1).iter();
            let mut pairs = all.zip(drawn.iter());
            return pairs.find_map(|(aspect, interval)| (*aspect == self).then_some(*interval));
        }
        let (u, degrees_of_freedom) = self.uncertainty(estimate)?;
        let half = u * coverage.factor(degrees_of_freedom);
        let value = self.of(estimate);
        Some(Interval {
            u,
            degrees_of_freedom,
            low: value - half,
            high: value + half,
        })
    }

    /// What one source contributes to the standard uncertainty.
    pub fn contribution(self, estimate: &Estimate, line: &Contribution) -> f64 {
        self.direction(estimate).map_or(f64::NAN, |(along, scale)| {
            line.variance_along(along).sqrt() / scale
        })
    }

    /// The direction in which the number grows, and by how much less than the estimate.
    fn direction(self, estimate: &Estimate) -> Option<(Complex64, f64)> {
        let z = estimate.value;
        let size = libm::hypot(z.re, z.im);
        match self {
            Aspect::Value | Aspect::InPhase => Some((1.0.into(), 1.0)),
            Aspect::Quadrature => Some((Complex64::i(), 1.0)),
            _ if size == 0.0 || size.is_nan() => None,
            Aspect::Amplitude => Some((z / size, 1.0)),
            Aspect::Phase => Some((z / size * Complex64::i(), size)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::value::{About, Part, Reach};

    /// 3 + 4i that changes by 0.1 along itself and 0.2 across: the amplitude by 0.1, the phase by 0.2/5.
    #[test]
    fn along_and_across_by_hand() {
        let about = About::scatter("s", Reach::Node, 9.0);
        let along = Complex64::new(0.6, 0.8);
        let estimate = Estimate {
            parts: Some(vec![
                Part::new(&about, 0, along * 0.1),
                Part::new(&about, 1, along * Complex64::i() * 0.2),
            ]),
            ..Estimate::bare(Complex64::new(3.0, 4.0))
        };
        let close = |aspect: Aspect, value: f64, u: f64| {
            let (found, freedom) = aspect.uncertainty(&estimate).expect("evaluated");
            assert!((aspect.of(&estimate) - value).abs() < 1e-15);
            assert!((found - u).abs() < 1e-15, "{aspect:?} {found} {u}");
            assert_eq!(freedom, 9.0);
        };
        close(Aspect::Amplitude, 5.0, 0.1);
        close(Aspect::Phase, libm::atan2(4.0, 3.0), 0.04);
        close(Aspect::InPhase, 3.0, libm::hypot(0.06, 0.16));
        let zero = Estimate {
            value: Complex64::default(),
            ..estimate
        };
        assert_eq!(Aspect::Phase.uncertainty(&zero), None);
    }
}
