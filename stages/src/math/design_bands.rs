//! From an analog prototype to the digital sections of a band.
//!
//! Zeros and poles stay in the analog plane until each section's coefficients are formed from them:
//! there their small distances from 0 Hz and from the unit circle still have all their digits.

use num_complex::Complex64;

use super::design::Band;
use super::design::DesignError;
use super::design::Zpk;
use super::design_proto;
use super::design_proto::Prototype;
use super::section::HalfAngle;
use super::section::Section;

/// Where the gain of a filter is stated.
#[derive(Clone, Copy)]
enum Reference {
    Dc,
    Nyquist,
    /// Prewarped frequency `tan(πf/fs)`.
    Centre(f64),
}

/// A filter in the analog plane of `s = (z − 1)/(z + 1)`, where the frequency `f` lies at
/// `i·tan(πf/fs)`, 0 Hz at 0 and Nyquist at infinity.
///
/// Every family has its zeros on the imaginary axis, so these are kept as real numbers.
pub(super) struct Analog {
    /// One of each conjugate pair (imaginary part > 0), and the real ones.
    poles: Vec<Complex64>,
    /// Zero pairs `±iy`, 0 < y < ∞.
    zeros: Vec<f64>,
    zeros_at_dc: usize,
    zeros_at_nyquist: usize,
    reference: Reference,
    gain: f64,
}

/// Number of roots that a list of representatives stands for.
fn count(poles: &[Complex64]) -> usize {
    poles.iter().map(|p| if p.im > 0.0 { 2 } else { 1 }).sum()
}

impl Analog {
    /// Carries a prototype to a band with valid corners, at the sample rate `fs` in Hz.
    pub fn new(mut prototype: Prototype, band: Band, fs: f64) -> Self {
        let at_infinity = count(&prototype.poles) - 2 * prototype.zeros.len();
        if matches!(band, Band::High(_) | Band::Stop(..)) {
            for pole in &mut prototype.poles {
                *pole = design_proto::inverse(*pole);
            }
            for zero in &mut prototype.zeros {
                *zero = 1.0 / *zero;
            }
        }
        let mut analog = Self {
            poles: Vec::new(),
            zeros: Vec::new(),
            zeros_at_dc: 0,
            zeros_at_nyquist: 0,
            reference: Reference::Dc,
            gain: prototype.dc_gain,
        };
        let angle = |f: f64| core::f64::consts::PI * (f / fs);
        match band {
            Band::Low(f) | Band::High(f) => {
                let corner = libm::tan(angle(f));
                analog.poles = prototype.poles.iter().map(|p| p * corner).collect();
                analog.zeros = prototype.zeros.iter().map(|z| z * corner).collect();
                if matches!(band, Band::Low(_)) {
                    analog.zeros_at_nyquist = at_infinity;
                } else {
                    analog.zeros_at_dc = at_infinity;
                    analog.reference = Reference::Nyquist;
                }
            }
            Band::Pass(low, high) | Band::Stop(low, high) => {
                let centre_sq = libm::tan(angle(low)) * libm::tan(angle(high));
                // tan β − tan α, without cancellation in narrow bands.
                let width =
                    libm::sin(angle(high - low)) / (libm::cos(angle(low)) * libm::cos(angle(high)));
                for pole in &prototype.poles {
                    split_pole(pole * width, centre_sq, &mut analog.poles);
                }
                for zero in &prototype.zeros {
                    let half = 0.5 * zero * width;
                    let upper = half + (half * half + centre_sq).sqrt();
                    analog.zeros.extend([upper, centre_sq / upper]);
                }
                if matches!(band, Band::Pass(..)) {
                    analog.zeros_at_dc = at_infinity;
                    analog.zeros_at_nyquist = at_infinity;
                    analog.reference = Reference::Centre(centre_sq.sqrt());
                } else {
                    let centre = core::iter::repeat_n(centre_sq.sqrt(), at_infinity);
                    analog.zeros.extend(centre);
                }
            }
        }
        analog
    }

    /// Pairs poles with zeros and forms the sections.
    pub fn sections(&self) -> Result<Vec<Section>, DesignError> {
        let mut zeros = Zeros {
            pairs: self.zeros.clone(),
            at_dc: self.zeros_at_dc,
            at_nyquist: self.zeros_at_nyquist,
        };
        let mut poles = self.poles.clone();
        poles.sort_by(|&p, &q| circle_gap(p).total_cmp(&circle_gap(q)));

        let mut parts = Vec::new();
        while !poles.is_empty() {
            let pole = poles.remove(0);
            let partner = if pole.im > 0.0 {
                Some(pole.conj())
            } else {
                let real = poles.iter().position(|p| p.im == 0.0);
                real.map(|i| poles.remove(i))
            };
            parts.push(match partner {
                Some(partner) => (denominator(pole, partner), zeros.take_two(pole)),
                None => (first_order_denominator(pole.re), zeros.take_one(pole)),
            });
        }
        parts.reverse();
        parts
            .into_iter()
            .enumerate()
            .map(|(i, (a, numerator))| {
                let target = if i == 0 { self.gain } else { 1.0 };
                Section::resolved(self.scaled(numerator, a, target), a)
            })
            .collect()
    }

    /// The numerator scaled to the gain `target` at the reference.
    fn scaled(&self, c: [f64; 3], a: [f64; 2], target: f64) -> [f64; 3] {
        let at = match self.reference {
            Reference::Dc => HalfAngle { sin: 0.0, cos: 1.0 },
            Reference::Nyquist => HalfAngle { sin: 1.0, cos: 0.0 },
            Reference::Centre(w) => {
                let cos = 1.0 / (1.0 + w * w).sqrt();
                HalfAngle { sin: w * cos, cos }
            }
        };
        let bottom = target * modulus(at.quadratic([1.0, a[0], a[1]]));
        let scale = bottom / modulus(at.quadratic(c));
        let mut b = c.map(|value| value * scale);
        // A zero pair close to the reference makes the sum of b small there, and the rounding of
        // b1 large beside it. The last coefficient is therefore what the denominator's sum leaves
        // for it; below 1 that difference is exact, and it is b0 but for the last digit or two.
        let z = match self.reference {
            Reference::Dc => 1.0,
            Reference::Nyquist => -1.0,
            Reference::Centre(_) => 0.0,
        };
        if c[2] == 1.0 && c[1] * z < 0.0 {
            b[2] = bottom - (b[0] + b[1] * z);
        }
        b
    }

    /// All zeros and poles in the z plane.
    pub fn zpk(&self) -> Zpk {
        let mut zpk = Zpk {
            zeros: Vec::new(),
            poles: Vec::new(),
            gain: self.gain,
        };
        let reference = match self.reference {
            Reference::Dc => Some(Complex64::default()),
            Reference::Nyquist => None,
            Reference::Centre(w) => Some(Complex64::new(0.0, w)),
        };
        for &pole in &self.poles {
            for s in [pole, pole.conj()].iter().take(count(&[pole])) {
                zpk.poles.push((1.0 + s) / (1.0 - s));
                zpk.gain *= distance(*s, reference);
            }
        }
        for &zero in &self.zeros {
            for s in [Complex64::new(0.0, zero), Complex64::new(0.0, -zero)] {
                zpk.zeros.push((1.0 + s) / (1.0 - s));
                zpk.gain /= distance(s, reference);
            }
        }
        for _ in 0..self.zeros_at_dc {
            zpk.zeros.push(Complex64::new(1.0, 0.0));
            zpk.gain /= distance(Complex64::default(), reference);
        }
        for _ in 0..self.zeros_at_nyquist {
            zpk.zeros.push(Complex64::new(-1.0, 0.0));
            zpk.gain /= reference.map_or(0.0, |s| distance(s, None));
        }
        zpk
    }
}

/// The modulus, by a function that is the same on every machine.
fn modulus(z: Complex64) -> f64 {
    libm::hypot(z.re, z.im)
}

/// Distance of the images in the z plane of two analog points; `None` is infinity, whose image
/// is −1.
fn distance(s: Complex64, other: Option<Complex64>) -> f64 {
    match other {
        None => 2.0 / modulus(1.0 - s),
        Some(other) => 2.0 * modulus(s - other) / (modulus(1.0 - s) * modulus(1.0 - other)),
    }
}

/// `1 − |z|²` of a pole's image in the z plane.
fn circle_gap(s: Complex64) -> f64 {
    -4.0 * s.re / (1.0 - s).norm_sqr()
}

/// Solves `s² − q s + c = 0`, which carries the low-pass pole q (times the width) to the two poles
/// of a band; conjugates are left out. The real part of q is negative and c positive.
///
/// The root of the discriminant is taken with the signs of q, so that the first root is formed
/// without cancellation, and the second comes from the product of both.
fn split_pole(q: Complex64, c: f64, poles: &mut Vec<Complex64>) {
    let centre = c.sqrt();
    if q.im == 0.0 {
        let discriminant = (q.re - 2.0 * centre) * (q.re + 2.0 * centre);
        if discriminant < 0.0 {
            poles.push(Complex64::new(0.5 * q.re, 0.5 * (-discriminant).sqrt()));
        } else {
            let larger = 0.5 * (q.re - discriminant.sqrt());
            poles.push(Complex64::new(larger, 0.0));
            poles.push(Complex64::new(c / larger, 0.0));
        }
        return;
    }
    // (q − 2√c)(q + 2√c), and the square root with negative real and positive imaginary part.
    let square = (q - 2.0 * centre) * (q + 2.0 * centre);
    let size = modulus(square);
    let root = if square.re < 0.0 {
        let im = (0.5 * (size - square.re)).sqrt();
        Complex64::new(0.5 * square.im / im, im)
    } else {
        let re = -(0.5 * (size + square.re)).sqrt();
        Complex64::new(re, 0.5 * square.im / re)
    };
    let larger = (q + root) * 0.5;
    poles.push(larger);
    // c divided by the first root lies in the lower half plane; this is its conjugate.
    poles.push(larger * (c / larger.norm_sqr()));
}

/// `[a1, a2]` of a pole pair, both complex or both real.
fn denominator(p: Complex64, q: Complex64) -> [f64; 2] {
    // s² + linear·s + constant, with s = (z − 1)/(z + 1).
    let linear = -(p.re + q.re);
    let constant = p.re * q.re - p.im * q.im;
    let a0 = 1.0 + linear + constant;
    [
        2.0 * (constant - 1.0) / a0,
        ((1.0 - linear) + constant) / a0,
    ]
}

fn first_order_denominator(p: f64) -> [f64; 2] {
    [-(1.0 + p) / (1.0 - p), 0.0]
}

/// Zeros not yet given to a section.
struct Zeros {
    pairs: Vec<f64>,
    at_dc: usize,
    at_nyquist: usize,
}

impl Zeros {
    /// Two zeros for a pole pair, the nearest first, as coefficients with leading one. There are
    /// as many zeros as poles, so a real zero stays for the pole that has no partner.
    fn take_two(&mut self, pole: Complex64) -> [f64; 3] {
        let gap = |y: f64| distance(pole, Some(Complex64::new(0.0, y)));
        let nearest = (0..self.pairs.len())
            .min_by(|&i, &j| gap(self.pairs[i]).total_cmp(&gap(self.pairs[j])));
        let nearest_real = if self.at_dc + self.at_nyquist < 2 {
            f64::INFINITY
        } else {
            self.real_gap(pole)
        };
        match nearest {
            Some(i) if gap(self.pairs[i]) <= nearest_real => {
                let y_sq = self.pairs[i] * self.pairs[i];
                self.pairs.remove(i);
                [1.0, 2.0 * (y_sq - 1.0) / (y_sq + 1.0), 1.0]
            }
            _ if self.at_dc > 0 && self.at_nyquist > 0 => {
                self.at_dc -= 1;
                self.at_nyquist -= 1;
                [1.0, 0.0, -1.0]
            }
            _ if self.at_dc > 0 => {
                self.at_dc -= 2;
                [1.0, -2.0, 1.0]
            }
            _ => {
                self.at_nyquist -= 2;
                [1.0, 2.0, 1.0]
            }
        }
    }

    /// The nearest real zero, for a pole without a partner.
    fn take_one(&mut self, pole: Complex64) -> [f64; 3] {
        let to_dc = distance(pole, Some(Complex64::default()));
        if self.at_dc > 0 && (self.at_nyquist == 0 || to_dc <= distance(pole, None)) {
            self.at_dc -= 1;
            [1.0, -1.0, 0.0]
        } else {
            self.at_nyquist -= 1;
            [1.0, 1.0, 0.0]
        }
    }

    fn real_gap(&self, pole: Complex64) -> f64 {
        let to_dc = distance(pole, Some(Complex64::default()));
        let to_nyquist = distance(pole, None);
        match (self.at_dc > 0, self.at_nyquist > 0) {
            (true, true) => to_dc.min(to_nyquist),
            (true, false) => to_dc,
            (false, true) => to_nyquist,
            (false, false) => f64::INFINITY,
        }
    }
}
