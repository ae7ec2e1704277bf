//! What can be said of amplitude and phase of a complex estimate whose covariance was itself estimated:
//! right at any signal-to-noise ratio, where propagation to first order is right for large ones only.
//!
//! The estimate z = X + iY is taken as bivariate normal with an estimated covariance V of some degrees of
//! freedom; what the true value may be follows a bivariate t distribution about it.

use std::collections::BTreeMap;
use std::f64::consts::{FRAC_PI_2, PI, TAU};

use num_complex::Complex64;
use phasemill_engine::statistics::{student_t_above, student_t_quantile};
use phasemill_engine::value::{Estimate, Part, Reach};

/// Amplitude over its largest standard uncertainty from which on second-order propagation takes the place of
/// the integral. What it leaves out is of third order, 50^-2 of a standard uncertainty.
pub(super) const LARGE: f64 = 50.0;

/// How much longer than wide noise is before its length alone is looked at.
const LONG: f64 = 10.0;

/// Probability of each statement: 95 %.
pub const COVERAGE: f64 = 0.95;

/// What is known of the amplitude of a complex value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Findings {
    /// Amplitude without the bias of R: the value whose median R is the one found; 0 when that is less than the
    /// median without a signal.
    pub amplitude: f64,
    /// Ends of the 95 % coverage interval of the amplitude; the lower one is 0 when nothing is detected.
    pub interval: [f64; 2],
    /// Probability of such a distance from zero, or a greater one, without a signal.
    pub p: f64,
    /// Upper limit of the amplitude at 95 %.
    pub limit: f64,
    /// Ends of the 95 % coverage interval of the phase, in radians within a quarter turn of the phase; `None` when
    /// it is undetermined.
    pub phase: Option<[f64; 2]>,
}

impl Findings {
    /// Whether a signal is detected at 95 %.
    pub fn detected(&self) -> bool {
        self.p <= 1.0 - COVERAGE
    }

    /// What is found in an estimate; `None` where its uncertainty was not evaluated, vanishes in a direction, or
    /// has one degree of freedom or fewer.
    pub fn of(estimate: &Estimate) -> Option<Self> {
        let (size, lines) = seen_along(estimate)?;
        // A factor does nothing to what is not there, its gain nothing to the phase, its phase nothing to R.
        let noise = Plane::new(size, &lines, |_| [0.0; 3])?;
        let amplitude = Plane::new(size, &lines, gain_only)?;
        let phase = Plane::new(size, &lines, |[_, across, _]| [0.0, across, 0.0])?;
        let p = noise.probability_without_signal()?;
        let low = match p <= 1.0 - COVERAGE {
            true => amplitude.amplitude_that_exceeds(0.5 * (1.0 - COVERAGE)),
            false => 0.0,
        };
        Some(Findings {
            amplitude: amplitude.amplitude_that_exceeds(0.5),
            interval: [low, amplitude.bound(0.5 * (1.0 - COVERAGE))],
            p,
            limit: amplitude.bound(1.0 - COVERAGE),
            phase: phase.phases(),
        })
    }
}

/// R, and what each source does along it and across it.
fn seen_along(estimate: &Estimate) -> Option<(f64, Vec<Line>)> {
    let z = estimate.value;
    let size = libm::hypot(z.re, z.im);
    let direction = match size > 0.0 {
        true => z / size,
        false => 1.0.into(),
    };
    Some((size, lines(estimate.parts.as_ref()?, direction)))
}

fn gain_only([along, ..]: [f64; 3]) -> [f64; 3] {
    [along, 0.0, 0.0]
}

/// What the amplitude of an estimate is told from; `None` where [`Findings::of`] has none.
pub(super) fn amplitude_plane(estimate: &Estimate) -> Option<Plane> {
    Findings::of(estimate)?;
    let (size, lines) = seen_along(estimate)?;
    Plane::new(size, &lines, gain_only)
}

/// What one source does to a value.
struct Line {
    /// Variance along the value, across it, and their covariance.
    covariance: [f64; 3],
    /// Whether it is that of a factor, such as a gain or its phase: its effect goes with the value, and vanishes
    /// without one.
    factor: bool,
    dof: f64,
}

fn lines(parts: &[Part], direction: Complex64) -> Vec<Line> {
    let mut all: BTreeMap<(&str, bool), Line> = BTreeMap::new();
    for part in parts {
        let about = &part.source.about;
        let turned = direction.conj() * part.effect;
        let (along, across) = (turned.re, turned.im);
        // The effect of a constant is exactly along or across where it is that of a factor, and so is that of a clock's
        // phase; of a sum of values
        // with different factors it is so by chance only, to which noise leaves no room.
        let exact = along.abs().min(across.abs()) <= 1e-9 * along.abs().max(across.abs());
        let factor = matches!(about.reach, Reach::Everywhere | Reach::Clock) && exact;
        let line = all.entry((&about.name, factor)).or_insert(Line {
            covariance: [0.0; 3],
            factor,
            dof: about.degrees_of_freedom,
        });
        let own = [along * along, across * across, along * across];
        line.covariance
            .iter_mut()
            .zip(own)
            .for_each(|(sum, x)| *sum += x);
    }
    all.into_values().collect()
}

/// Degrees of freedom of a covariance made of several: Krishnamoorthy & Yu, Statistics & Probability Letters
/// 66, 161 (2004), after Nel & van der Merwe, Commun. Stat. Theory Methods 15, 3719 (1986); those of a single
/// one are its own. `None` when the covariance is singular.
fn degrees_of_freedom(lines: &[([f64; 3], f64)], [rr, ii, ri]: [f64; 3]) -> Option<f64> {
    let determinant = rr * ii - ri * ri;
    // Rounding leaves some 1e-16 of the product where the parts are fully correlated.
    if determinant.is_nan() || determinant <= 1e-13 * rr * ii {
        return None;
    }
    let mut sum = 0.0;
    for ([a, b, c], dof) in lines {
        // The contribution times the inverse of the whole.
        let m = [
            a * ii - c * ri,
            c * rr - a * ri,
            c * ii - b * ri,
            b * rr - c * ri,
        ];
        let trace = (m[0] + m[3]) / determinant;
        let square = (m[0] * m[0] + 2.0 * m[1] * m[2] + m[3] * m[3]) / (determinant * determinant);
        sum += (trace * trace + square) / dof;
    }
    Some(if sum > 0.0 { 6.0 / sum } else { f64::INFINITY })
}

/// A value with its covariance, seen along and across it.
pub(super) struct Plane {
    /// R = |z|.
    size: f64,
    /// Variance along z, across it, and their covariance.
    along: f64,
    across: f64,
    both: f64,
    dof: f64,
}

impl Plane {
    /// `factors` says what of a factor's covariance counts.
    fn new(size: f64, lines: &[Line], factors: impl Fn([f64; 3]) -> [f64; 3]) -> Option<Self> {
        let counted: Vec<([f64; 3], f64)> = lines
            .iter()
            .map(|l| match l.factor {
                true => (factors(l.covariance), l.dof),
                false => (l.covariance, l.dof),
            })
            .collect();
        let sum = |k: usize| counted.iter().map(|(c, _)| c[k]).sum::<f64>();
        let [along, across, both] = [sum(0), sum(1), sum(2)];
        Some(Plane {
            size,
            along,
            across,
            both,
            dof: degrees_of_freedom(&counted, [along, across, both])?,
        })
    }

    /// R.
    pub(super) fn size(&self) -> f64 {
        self.size
    }

    /// Variance along z.
    pub(super) fn along(&self) -> f64 {
        self.along
    }

    fn determinant(&self) -> f64 {
        self.along * self.across - self.both * self.both
    }

    /// Largest standard uncertainty of any direction, up to sqrt(2).
    pub(super) fn spread(&self) -> f64 {
        (self.along + self.across).sqrt()
    }

    /// Hotelling's T² = z V⁻¹ z of two dimensions is 2ν/(ν-1) times F of 2 and ν-1 degrees of freedom (Ann.
    /// Math. Stat. 2, 360 (1931)), whose tail has a closed form.
    fn probability_without_signal(&self) -> Option<f64> {
        let square = self.size * self.size * self.across / self.determinant();
        (self.dof > 1.0).then(|| match self.dof.is_finite() {
            true => libm::pow(1.0 + square / self.dof, -0.5 * (self.dof - 1.0)),
            false => libm::exp(-0.5 * square),
        })
    }

    /// Probability that the bivariate t distribution of this covariance, about a centre on the line of z, lies
    /// outside a circle about zero in which the centre is: each direction from the centre meets the circle once,
    /// at so many standard deviations rho, beyond which lies (1 + rho²/ν)^(-ν/2) of it. The rule of equal
    /// steps converges faster than any power on a whole turn.
    ///
    /// Where the noise is mostly along z, directions across it matter within b²/(2·centre·a) only, so that steps
    /// are closer there: tan of the angle is tan of what is stepped over the root of that.
    pub(super) fn outside(&self, centre: f64, radius: f64) -> f64 {
        if self.is_narrow(radius) {
            let [near, far] = self.crossings(centre, radius);
            return self.beyond(near) + self.beyond(-far);
        }
        let a = self.along.sqrt();
        let (k, b) = (self.both / a, (self.determinant() / self.along).sqrt());
        let closer = (b / (2.0 * centre * a).sqrt()).min(1.0);
        let steps = (24.0 / closer).clamp(128.0, 4e3) + (24.0 * radius / self.spread()).min(2e3);
        let steps = steps as u32;
        let inside = (radius - centre) * (radius + centre);
        let mut sum = 0.0;
        for step in 0..steps {
            let angle = TAU * (f64::from(step) + 0.5) / f64::from(steps);
            let (c, s) = (closer * libm::cos(angle), libm::sin(angle));
            let squeezed = c * c + s * s;
            let (c, s) = (c / squeezed.sqrt(), s / squeezed.sqrt());
            let (x, y) = (a * c, k * c + b * s);
            let (square, half) = (x * x + y * y, centre * x);
            let root = (half * half + square * inside).sqrt();
            // Whichever form of the root does not cancel.
            let rho = match half > 0.0 {
                true => inside / (half + root),
                false => (root - half) / square,
            };
            sum += closer / squeezed * self.farther(rho);
        }
        sum / f64::from(steps)
    }

    /// Probability of more than so many standard deviations from the centre, in any direction.
    fn farther(&self, rho: f64) -> f64 {
        match self.dof.is_finite() {
            true => libm::exp(-0.5 * self.dof * libm::log1p(rho * rho / self.dof)),
            false => libm::exp(-0.5 * rho * rho),
        }
    }

    /// Whether the noise is long and narrow, and a circle about zero nearly straight as far as it goes across z: what is
    /// taken to second order then leaves out 50^-2 of a standard uncertainty.
    fn is_narrow(&self, radius: f64) -> bool {
        radius > LARGE * self.across.sqrt() && self.along > LONG * LONG * self.across
    }

    /// The parts along z, from a centre, at which such a circle is crossed.
    fn crossings(&self, centre: f64, radius: f64) -> [f64; 2] {
        let crossed = |x: f64, inwards: f64| x + inwards * self.bent(x) / (2.0 * radius);
        [
            crossed(radius - centre, -1.0),
            crossed(-radius - centre, 1.0),
        ]
    }

    /// Probability of a part along z beyond `x`.
    fn beyond(&self, x: f64) -> f64 {
        student_t_above(x / self.along.sqrt(), self.dof)
    }

    /// Probability that the distribution lies inside a circle about zero in which its centre, on the line of z, is
    /// not: each direction in which the circle is seen meets it twice. Directions are counted by where on the
    /// circle's width they pass, so that the ends of the view do no harm to the rule of equal steps.
    pub(super) fn inside(&self, centre: f64, radius: f64) -> f64 {
        if self.is_narrow(radius) {
            let [near, far] = self.crossings(centre, radius);
            return self.beyond(-near) - self.beyond(-far);
        }
        let determinant = self.determinant();
        let steps = 128 + (24.0 * radius / self.spread()).min(2e3) as u32;
        let mut sum = 0.0;
        for step in 0..steps {
            let angle = PI * ((f64::from(step) + 0.5) / f64::from(steps) - 0.5);
            let (aside, along) = (radius * libm::sin(angle), radius * libm::cos(angle));
            let (s, c) = (
                aside / centre,
                (1.0 - aside * aside / (centre * centre)).sqrt(),
            );
            // From the centre, the direction is (-c, s), and the circle lies between two distances.
            let (x, y) = (-c, s);
            let inverse = x * x * self.across - 2.0 * x * y * self.both + y * y * self.along;
            let scale = (inverse / determinant).sqrt();
            let (near, far) = (centre * c - along, centre * c + along);
            let turned = along / (centre * c);
            let between = self.farther(scale * near) - self.farther(scale * far);
            sum += turned * between / (scale * scale);
        }
        sum * PI / f64::from(steps) / (TAU * determinant.sqrt())
    }

    /// What curvature adds to a distance whose part along z is `x`: half the expected square across, over
    /// the distance.
    pub(super) fn curvature(&self, x: f64) -> f64 {
        self.bent(x) / (2.0 * self.size)
    }

    /// The expected square across z, where the part along it is `x`.
    fn bent(&self, x: f64) -> f64 {
        let slope = self.both / self.along;
        let widened = match self.dof.is_finite() {
            true => (self.dof + x * x / self.along) / (self.dof - 1.0),
            false => 1.0,
        };
        let rest = self.determinant() / self.along * widened;
        rest + slope * slope * x * x
    }

    /// The amplitude, in the direction of z, from which R would come out as it did, or greater, with this
    /// probability of a half or less; 0 when it does so more often without any.
    pub(super) fn amplitude_that_exceeds(&self, probability: f64) -> f64 {
        if self.size > LARGE * self.spread() {
            let x = student_t_quantile(1.0 - probability, self.dof) * self.along.sqrt();
            return self.size - x - self.curvature(x);
        }
        if self.size == 0.0 || self.outside(0.0, self.size) >= probability {
            return 0.0;
        }
        zero(0.0, self.size, |centre| {
            self.outside(centre, self.size) - probability
        })
    }

    /// The distance from zero beyond which the true value lies with this probability.
    pub(super) fn bound(&self, probability: f64) -> f64 {
        if self.size > LARGE * self.spread() {
            let x = student_t_quantile(1.0 - probability, self.dof) * self.along.sqrt();
            return self.size + x + self.curvature(x);
        }
        let beyond = |radius: f64| self.outside(self.size, radius) - probability;
        let mut far = self.size + self.spread();
        while beyond(far) > 0.0 && far.is_finite() {
            far += far;
        }
        zero(self.size, far, beyond)
    }

    /// Directions at which the part across is not significant (Fieller, J. R. Stat. Soc. B 16, 175 (1954)),
    /// relative to zero phase; exact for any degrees of freedom.
    fn phases(&self) -> Option<[f64; 2]> {
        let t = student_t_quantile(0.5 + 0.5 * COVERAGE, self.dof);
        let square = t * t;
        let rest = self.size * self.size - square * self.along;
        if rest.is_nan() || rest <= 0.0 {
            return None;
        }
        let root = t * (square * self.both * self.both + self.across * rest).sqrt();
        let end = |sign: f64| libm::atan((sign * root - square * self.both) / rest);
        Some([end(-1.0), end(1.0)]).filter(|e| e.iter().all(|x| x.abs() < FRAC_PI_2))
    }
}

/// The zero between two values at which a function has unlike signs: false position with halved weights
/// (Dowell & Jarratt, BIT 11, 168 (1971)). Where rounding makes the signs alike, the end that is nearer to a zero.
pub(super) fn zero(mut a: f64, mut b: f64, f: impl Fn(f64) -> f64) -> f64 {
    let (mut at_a, mut at_b) = (f(a), f(b));
    if (at_a > 0.0) == (at_b > 0.0) {
        return if at_a.abs() < at_b.abs() { a } else { b };
    }
    let (mut last, mut kept) = (a, 0);
    for _ in 0..200 {
        let x = (a * at_b - b * at_a) / (at_b - at_a);
        if (x - last).abs() <= 4.0 * f64::EPSILON * b.abs() {
            return x;
        }
        last = x;
        let at_x = f(x);
        if at_x == 0.0 {
            return x;
        }
        // An end that is kept twice in a row loses half its weight.
        if (at_x > 0.0) == (at_b > 0.0) {
            (b, at_b) = (x, at_x);
            at_a *= if kept == 1 { 0.5 } else { 1.0 };
            kept = 1;
        } else {
            (a, at_a) = (x, at_x);
            at_b *= if kept == 2 { 0.5 } else { 1.0 };
            kept = 2;
        }
    }
    last
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plane(size: f64, [along, across, both]: [f64; 3], dof: f64) -> Plane {
        Plane {
            size,
            along,
            across,
            both,
            dof,
        }
    }

    fn round(size: f64, dof: f64) -> Plane {
        plane(size, [1.0, 1.0, 0.0], dof)
    }

    /// Without a centre the distance has the Rayleigh distribution, exp(-r²/2) beyond r; with estimated
    /// variance (1 + r²/ν)^(-ν/2).
    #[test]
    fn rayleigh_without_a_signal() {
        for r in [0.1, 1.0, 3.0] {
            let close = |found: f64, expected: f64| assert!((found / expected - 1.0).abs() < 1e-14);
            close(
                round(1.0, f64::INFINITY).outside(0.0, r),
                libm::exp(-0.5 * r * r),
            );
            close(
                round(1.0, 6.0).outside(0.0, r),
                libm::pow(1.0 + r * r / 6.0, -3.0),
            );
        }
    }

    /// Both integrals meet where the circle passes the centre, and the inner one is that of the Rice distribution: inside
    /// a circle of radius 1 about a centre at 2 with unit variances lie 1 - Q(2, 1) (Marcum's Q), which is
    /// SciPy's `ncx2.cdf(1, 2, 4)`, printed here to 12 digits.
    #[test]
    fn inside_and_outside_meet() {
        for (cov, dof) in [([1.0, 1.0, 0.0], f64::INFINITY), ([1.0, 4.0, 1.2], 9.0)] {
            let plane = plane(2.0, cov, dof);
            let (inner, outer) = (plane.inside(2.0, 2.0 - 1e-9), plane.outside(2.0, 2.0));
            // There the integrand ends with a slope, of which 150 steps leave some (π/150)²/24.
            assert!((inner + outer - 1.0).abs() < 2e-5, "{inner} {outer}");
        }
        let found = round(2.0, f64::INFINITY).inside(2.0, 1.0);
        assert!((found - 0.081892303631).abs() < 1e-9, "{found}");
    }

    /// Noise that is mostly along z, as of a gain known to some per cent: the integral with a million equal steps
    /// over the angle is the slow twin. What is taken to second order leaves out 50^-2 of a standard uncertainty, and its
    /// fourfold where the circle is crossed far from the centre.
    #[test]
    fn long_and_narrow_noise() {
        let slow = |plane: &Plane, centre: f64, radius: f64| {
            let a = plane.along.sqrt();
            let (k, b) = (plane.both / a, (plane.determinant() / plane.along).sqrt());
            let steps = 1_000_000u32;
            let each = (0..steps).map(|step| {
                let (s, c) = libm::sincos(TAU * (f64::from(step) + 0.5) / f64::from(steps));
                let (x, y) = (a * c, k * c + b * s);
                let (square, half) = (x * x + y * y, centre * x);
                let inside = (radius - centre) * (radius + centre);
                let root = (half * half + square * inside).sqrt();
                let rho = match half > 0.0 {
                    true => inside / (half + root),
                    false => (root - half) / square,
                };
                plane.farther(rho)
            });
            each.sum::<f64>() / f64::from(steps)
        };
        for across in [0.5, 0.21, 0.1, 0.03, 1e-2, 1e-4] {
            for (size, dof) in [(3.0, 5.0), (9.7, 11.0), (20.3, f64::INFINITY)] {
                let plane = plane(size, [1.0, across * across, 0.3 * across * across], dof);
                for (centre, radius) in [
                    (size, size),
                    (size, size + 0.7),
                    (size - 1.9, size),
                    (0.4, size),
                ] {
                    let found = plane.outside(centre, radius);
                    let expected = slow(&plane, centre, radius);
                    assert!(
                        (found - expected).abs() < 4.0 / (LARGE * LARGE),
                        "{across} {size} {dof}, {centre} {radius}: {found} {expected}"
                    );
                    if !plane.is_narrow(radius) {
                        assert!(
                            (found - expected).abs() < 1e-6,
                            "{across} {size}: {found} {expected}"
                        );
                    }
                }
            }
        }
    }

    /// Whatever the shape of the noise, there is an amplitude inside its interval, below R.
    #[test]
    fn every_shape_of_noise_has_an_amplitude() {
        for across in [1.0, 0.3, 0.1, 0.06, 0.02, 1e-3, 1e-6] {
            for tenths in (5..500).step_by(7) {
                let size = 0.1 * f64::from(tenths);
                for dof in [4.0, 10.4, f64::INFINITY] {
                    let plane = plane(size, [1.0, across * across, 0.1 * across * across], dof);
                    let amplitude = plane.amplitude_that_exceeds(0.5);
                    let low = plane.amplitude_that_exceeds(0.025);
                    let (middle, high) = (plane.bound(0.5), plane.bound(0.025));
                    assert!(
                        0.0 <= low && low <= amplitude && amplitude <= size,
                        "{across} {size} {dof}: {low} {amplitude}"
                    );
                    // A median beyond R by rounding of the integral.
                    assert!(
                        size <= middle * (1.0 + 1e-12) && middle < high && high.is_finite(),
                        "{across} {size} {dof}: {middle} {high}"
                    );
                }
            }
        }
    }

    /// Two independent covariances of equal size with 5 degrees of freedom each have 10 together; one alone keeps
    /// its own; a singular one has none.
    #[test]
    fn degrees_of_freedom_add_up() {
        let one = [0.09, 0.05, 0.03];
        let found = degrees_of_freedom(&[(one, 5.0)], one).expect("regular");
        assert!((found - 5.0).abs() < 1e-12, "{found}");
        let both = one.map(|x| 2.0 * x);
        let found = degrees_of_freedom(&[(one, 5.0), (one, 5.0)], both).expect("regular");
        assert!((found - 10.0).abs() < 1e-12, "{found}");
        let singular = [0.09, 0.01, 0.03];
        assert_eq!(degrees_of_freedom(&[(singular, 5.0)], singular), None);
    }

    /// A gain known to 10 % widens the interval of a strong signal and leaves p alone; its phase leaves R alone.
    #[test]
    fn a_factor_is_no_noise() {
        use phasemill_engine::value::About;
        let (noise, gain) = (
            About::scatter("s", Reach::Node, f64::INFINITY),
            About::constant("g", None),
        );
        let z = Complex64::new(3.0, 4.0);
        let found = |further: &[Part]| {
            let own = [
                Part::new(&noise, 0, 1.0),
                Part::new(&noise, 1, Complex64::i()),
            ];
            Findings::of(&Estimate {
                parts: Some([&own, further].concat()),
                ..Estimate::bare(z)
            })
            .expect("regular")
        };
        let plain = found(&[]);
        let scaled = found(&[Part::new(&gain, 0, z * 0.1)]);
        let turned = found(&[Part::new(&gain, 1, z * Complex64::i() * 0.1)]);
        assert_eq!((plain.p, plain.phase), (scaled.p, scaled.phase));
        assert!(scaled.interval[1] > plain.interval[1]);
        assert_eq!(
            (plain.amplitude, plain.interval),
            (turned.amplitude, turned.interval)
        );
        assert!(turned.phase.expect("determined")[1] > plain.phase.expect("determined")[1]);
        let clock = About::scatter("c", Reach::Clock, f64::INFINITY);
        assert_eq!(
            found(&[Part::new(&clock, 0, z * Complex64::i() * 0.1)]),
            turned
        );
    }

    /// Both ways to compute meet where one takes over: what is left out is of third order.
    #[test]
    fn integral_and_second_order_meet() {
        for (cov, dof) in [([1.0, 1.0, 0.0], f64::INFINITY), ([1.0, 4.0, 1.2], 9.0)] {
            let at = |size: f64| plane(size, cov, dof);
            let edge = LARGE * at(1.0).spread();
            let (below, above) = (at(edge * (1.0 - 1e-9)), at(edge * (1.0 + 1e-9)));
            for probability in [0.5, 0.05, 0.025] {
                let pairs = [
                    (
                        below.amplitude_that_exceeds(probability),
                        above.amplitude_that_exceeds(probability),
                    ),
                    (
                        below.bound(probability.min(0.4)),
                        above.bound(probability.min(0.4)),
                    ),
                ];
                for (integral, series) in pairs {
                    // 50^-2 of a standard uncertainty, times the cubes of quantiles up to 2.7.
                    assert!(
                        (integral - series).abs() < 8e-3 * at(1.0).spread(),
                        "{integral} {series}"
                    );
                }
            }
        }
    }

    /// z = 3 with unit variances: |tan| <= 1.96/sqrt(9 - 1.96²), by hand; at z = 1.9 nothing is said.
    #[test]
    fn phases_by_hand() {
        let k = student_t_quantile(0.975, f64::INFINITY);
        let [low, high] = round(3.0, f64::INFINITY).phases().expect("determined");
        let expected = libm::asin(k / 3.0);
        assert!((high - expected).abs() < 1e-14 && (low + expected).abs() < 1e-14);
        assert_eq!(round(1.9, f64::INFINITY).phases(), None);
    }
}
