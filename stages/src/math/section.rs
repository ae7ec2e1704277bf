//! Second-order sections: the one form in which every recursive filter here is kept and run.

use num_complex::Complex64;

use super::design::DesignError;

/// A stable second-order section
/// `H(z) = (b0 + b1 z⁻¹ + b2 z⁻²) / (1 + a1 z⁻¹ + a2 z⁻²)`; first-order sections have `b2 = a2 = 0`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Section {
    b: [f64; 3],
    a: [f64; 2],
}

impl Section {
    /// A section from its coefficients `[b0, b1, b2]` and `[a1, a2]` (pure numbers, `a0 = 1`).
    ///
    /// # Errors
    /// [`DesignError::Unstable`] unless all are finite and both poles lie inside the unit circle,
    /// which is the case inside the triangle `a2 < 1`, `|a1| < 1 + a2` (Jury's criterion).
    pub fn new(b: [f64; 3], a: [f64; 2]) -> Result<Self, DesignError> {
        let section = Self { b, a };
        let inside = a[1] < 1.0 && section.sum_at_dc() > 0.0 && section.sum_at_nyquist() > 0.0;
        if inside && b.iter().all(|c| c.is_finite()) {
            Ok(section)
        } else {
            Err(DesignError::Unstable { b, a })
        }
    }

    /// The same as [`Section::new`], and refuses poles that rounding of the coefficients would
    /// move by more than a thousandth of their distance from the unit circle.
    ///
    /// Rounding changes the denominator by about `u = 2⁻⁵³`, hence a pole `p` with partner `q`
    /// by `u / |p − q|`.
    pub(super) fn resolved(b: [f64; 3], a: [f64; 2]) -> Result<Self, DesignError> {
        const ROUNDING: f64 = f64::EPSILON / 2.0;
        let discriminant = a[0] * a[0] - 4.0 * a[1];
        let spread = discriminant.abs().sqrt();
        let radius = if discriminant < 0.0 {
            a[1].sqrt()
        } else {
            0.5 * (a[0].abs() + spread)
        };
        // Where the poles nearly meet, they move by the square root of the change.
        let shift = ROUNDING / spread.max(ROUNDING.sqrt());
        if shift > 1e-3 * (1.0 - radius) {
            return Err(DesignError::Unresolved { radius });
        }
        Self::new(b, a)
    }

    /// Numerator coefficients `[b0, b1, b2]`.
    pub fn b(&self) -> [f64; 3] {
        self.b
    }

    /// Denominator coefficients `[a1, a2]`; `a0` is one.
    pub fn a(&self) -> [f64; 2] {
        self.a
    }

    /// The coefficients as `[b0, b1, b2, a1, a2]`.
    pub fn coefficients(&self) -> [f64; 5] {
        let ([b0, b1, b2], [a1, a2]) = (self.b, self.a);
        [b0, b1, b2, a1, a2]
    }

    /// Gain for a constant input (pure number).
    pub fn dc_gain(&self) -> f64 {
        (self.b[0] + self.b[1] + self.b[2]) / self.sum_at_dc()
    }

    /// Denominator at `z = 1`; in this order the sum is exact where it nearly vanishes.
    fn sum_at_dc(&self) -> f64 {
        (1.0 + self.a[0]) + self.a[1]
    }

    /// Denominator at `z = −1`.
    fn sum_at_nyquist(&self) -> f64 {
        (1.0 - self.a[0]) + self.a[1]
    }
}

/// A point of the unit circle by sine and cosine of half its angle, from 0 (constant) to π/2
/// (Nyquist).
#[derive(Clone, Copy, Debug)]
pub(super) struct HalfAngle {
    pub sin: f64,
    pub cos: f64,
}

impl HalfAngle {
    /// The point of the frequency `f` at the sample rate `fs`, both in Hz.
    pub fn of(f: f64, fs: f64) -> Self {
        let (sin, cos) = libm::sincos(core::f64::consts::PI * (f / fs));
        Self { sin, cos }
    }

    /// `z·(c0 + c1 z⁻¹ + c2 z⁻²)` at this point.
    ///
    /// Written with half angles so that no digits are lost near 0 Hz and near Nyquist, where the
    /// plain sum nearly cancels.
    pub fn quadratic(self, c: [f64; 3]) -> Complex64 {
        let outer = 2.0 * (c[0] + c[2]);
        let re = if self.sin.abs() <= self.cos.abs() {
            ((c[0] + c[1]) + c[2]) - outer * (self.sin * self.sin)
        } else {
            ((c[1] - c[0]) - c[2]) + outer * (self.cos * self.cos)
        };
        Complex64::new(re, (c[0] - c[2]) * 2.0 * self.sin * self.cos)
    }
}

/// Complex gain of a cascade at the frequency `f` for the sample rate `fs`, both in Hz, with
/// `z = exp(2πi f/fs)`. An empty cascade has gain one.
pub fn frequency_response(sections: &[Section], f: f64, fs: f64) -> Complex64 {
    let at = HalfAngle::of(f, fs);
    sections
        .iter()
        .fold(Complex64::new(1.0, 0.0), |gain, section| {
            let denominator = [1.0, section.a[0], section.a[1]];
            gain * (at.quadratic(section.b) / at.quadratic(denominator))
        })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The definition, term by term.
    fn slow_response(section: &Section, f: f64, fs: f64) -> Complex64 {
        let w = 2.0 * core::f64::consts::PI * f / fs;
        let delay = |n: f64| Complex64::new(libm::cos(w * n), -libm::sin(w * n));
        let (b, a) = (section.b, section.a);
        let top = delay(0.0) * b[0] + delay(1.0) * b[1] + delay(2.0) * b[2];
        top / (delay(0.0) + delay(1.0) * a[0] + delay(2.0) * a[1])
    }

    #[test]
    fn response_equals_its_definition() -> Result<(), DesignError> {
        let section = Section::new([0.3, -0.4, 0.2], [-0.9, 0.5])?;
        for k in 0..=40 {
            let f = 2.5 * f64::from(k);
            let fast = frequency_response(&[section, section], f, 200.0);
            let slow = slow_response(&section, f, 200.0);
            // |A| ≥ 0.1 here, so about 20 roundings of 1.1e-16 grow to 2e-14 at most.
            assert!((fast - slow * slow).norm() < 2e-14, "{f} Hz");
        }
        Ok(())
    }

    #[test]
    fn digits_are_kept_near_nyquist_as_near_zero() -> Result<(), DesignError> {
        // z → −z mirrors the response; a double pole 1e-4 from the circle and a double zero on it.
        let (p, f) = (0.9999, 1e-5);
        let low = Section::new([1.0, -2.0, 1.0], [-2.0 * p, p * p])?;
        let high = Section::new([1.0, 2.0, 1.0], [2.0 * p, p * p])?;
        let near_zero = frequency_response(&[low], f, 1.0);
        let near_nyquist = frequency_response(&[high], 0.5 - f, 1.0);
        // 0.5 − f is rounded by 2.8e-17 at most, 2.8e-12 of f, and the response goes with f².
        assert!((near_nyquist.conj() / near_zero - 1.0).norm() < 1e-11);
        Ok(())
    }

    #[test]
    fn hand_worked_gains() -> Result<(), DesignError> {
        // y[k] = x[k]/2 + x[k−1]/2: gain 1 at 0 Hz, (1 − i)/2 at fs/4, 0 at fs/2.
        let mean = [Section::new([0.5, 0.5, 0.0], [0.0, 0.0])?];
        assert_eq!(frequency_response(&mean, 0.0, 8.0).re, 1.0);
        let quarter = frequency_response(&mean, 2.0, 8.0);
        // sin and cos of π/4 are each rounded once.
        assert!((quarter - Complex64::new(0.5, -0.5)).norm() < 4e-16);
        // cos(π/2) in doubles is 6.1e-17.
        assert!(frequency_response(&mean, 4.0, 8.0).norm() < 1e-16);
        assert_eq!(Section::new([3.0, 0.0, 0.0], [-0.5, 0.0])?.dc_gain(), 6.0);
        Ok(())
    }

    #[test]
    fn unstable_sections_are_refused() {
        for a in [
            [-2.0, 1.0],
            [0.0, 1.0],
            [2.5, 1.0],
            [-1.0, 0.0],
            [f64::NAN, 0.0],
        ] {
            assert!(Section::new([1.0, 0.0, 0.0], a).is_err(), "{a:?}");
        }
        assert!(Section::new([f64::INFINITY, 0.0, 0.0], [0.0, 0.0]).is_err());
        // A double pole 1e-12 from the circle is stable, but not where it was meant to be.
        let near = 1.0 - 1e-12;
        assert!(Section::resolved([1.0, 0.0, 0.0], [-2.0 * near, near * near]).is_err());
    }
}
