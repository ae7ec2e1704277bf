//! Sizes of units: exact fractions and powers of ten, applied to decimal texts with one rounding.

/// A size of `numerator / denominator · 10^power · other`.
///
/// In its reduced form the denominator has no factor in common with the numerator or with ten, and the
/// numerator is no multiple of ten, so that equal exact sizes have equal fields. `other` is what no
/// fraction can say, such as π; it is 1 for all units but angles and inexact roots.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Scale {
    pub numerator: u128,
    pub denominator: u128,
    pub power: i32,
    pub other: f64,
}

/// Largest power of ten of a unit, so that its size is an ordinary double.
const LARGEST_POWER: i32 = 250;
/// Whole numbers up to here are doubles.
const EXACT: u128 = 1 << 53;

impl Scale {
    /// Size one.
    pub const ONE: Scale = Scale::ten_to(0);

    /// A power of ten.
    pub const fn ten_to(power: i32) -> Self {
        Scale {
            numerator: 1,
            denominator: 1,
            power,
            other: 1.0,
        }
    }

    /// The product, or for `sign` -1 the quotient; `None` when it leaves the range.
    pub fn times(self, by: Self, sign: i32) -> Option<Self> {
        let (n, d, other) = match sign {
            1 => (by.numerator, by.denominator, self.other * by.other),
            _ => (by.denominator, by.numerator, self.other / by.other),
        };
        let scale = Scale {
            numerator: self.numerator.checked_mul(n)?,
            denominator: self.denominator.checked_mul(d)?,
            power: self.power.checked_add(sign * by.power)?,
            other,
        };
        scale.reduced()
    }

    /// The square root; exact where the fraction has an exact one.
    pub fn root(self) -> Option<Self> {
        // An odd power of ten leaves a factor of ten under the root.
        let n = if self.power % 2 == 0 {
            self.numerator
        } else {
            self.numerator.checked_mul(10)?
        };
        let (top, bottom) = (n.isqrt(), self.denominator.isqrt());
        let power = self.power.div_euclid(2);
        let scale = if top * top == n && bottom * bottom == self.denominator {
            Scale {
                numerator: top,
                denominator: bottom,
                power,
                other: self.other.sqrt(),
            }
        } else {
            let ratio = n as f64 / self.denominator as f64 * self.other;
            Scale {
                other: ratio.sqrt(),
                ..Self::ten_to(power)
            }
        };
        scale.reduced()
    }

    fn reduced(mut self) -> Option<Self> {
        let common = gcd(self.numerator, self.denominator);
        self.numerator /= common;
        self.denominator /= common;
        for (factor, partner) in [(2, 5), (5, 2)] {
            while self.denominator.is_multiple_of(factor) {
                self.denominator /= factor;
                self.numerator = self.numerator.checked_mul(partner)?;
                self.power = self.power.checked_sub(1)?;
            }
        }
        while self.numerator.is_multiple_of(10) {
            self.numerator /= 10;
            self.power = self.power.checked_add(1)?;
        }
        // Well inside the range of doubles, so that no later step can leave it.
        let size = self.numerator as f64 / self.denominator as f64 * self.other;
        let fits = self.power.abs() <= LARGEST_POWER && (1e-40..1e40).contains(&size);
        fits.then_some(self)
    }

    /// A decimal text times this size, to the nearest double where the size is a decimal number, and
    /// where it is a fraction of which both parts are doubles; otherwise within one rounding per factor.
    /// The text has digits and may have a sign, a point and an exponent.
    pub fn of(self, decimal: &str) -> f64 {
        let (mantissa, exponent) = split(decimal);
        let exponent = exponent.saturating_add(self.power);
        if self.numerator == 1 && self.denominator == 1 {
            return nearest(&format!("{mantissa}e{exponent}")) * self.other;
        }
        let (sign, digits) = match mantissa.strip_prefix('-') {
            Some(digits) => (-1.0, digits),
            None => (1.0, mantissa.trim_start_matches('+')),
        };
        let (whole, fraction) = digits.split_once('.').unwrap_or((digits, ""));
        let integer = format!("{whole}{fraction}").parse::<u128>().ok();
        let size = match integer.and_then(|i| i.checked_mul(self.numerator)) {
            Some(integer) => {
                let shift = i32::try_from(fraction.len()).unwrap_or(i32::MAX);
                quotient(integer, self.denominator, exponent.saturating_sub(shift))
            }
            // More digits than any instrument has.
            None => {
                nearest(&format!("{digits}e{exponent}")) * self.numerator as f64
                    / self.denominator as f64
            }
        };
        sign * size * self.other
    }

    /// The size as a number.
    pub fn number(self) -> f64 {
        self.of("1")
    }

    /// A value in SI units as a number of this size; undoes [`Scale::of`] but for the last digit.
    pub fn divide(self, value: f64) -> f64 {
        if !value.is_finite() {
            return value;
        }
        let inverse = Scale {
            numerator: self.denominator,
            denominator: self.numerator,
            power: -self.power,
            other: 1.0 / self.other,
        };
        // The quotient by an inexact size is rounded once, not the reciprocal.
        match inverse.reduced() {
            Some(inverse) if self.other == 1.0 => inverse.of(&format!("{value:e}")),
            _ => value / self.number(),
        }
    }
}

/// `value`·10^`power`, the decimal point moved in its shortest decimal text.
pub(super) fn shifted(value: f64, power: i32) -> f64 {
    if value.is_finite() {
        Scale::ten_to(power).of(&format!("{value:e}"))
    } else {
        value
    }
}

/// n/d·10^e.
fn quotient(n: u128, d: u128, e: i32) -> f64 {
    if d == 1 {
        return nearest(&format!("{n}e{e}"));
    }
    let ten = 10u128.checked_pow(e.unsigned_abs());
    let (up, down) = if e < 0 {
        (Some(1), ten)
    } else {
        (ten, Some(1))
    };
    let exact =
        |x: u128, by: Option<u128>| by.and_then(|b| x.checked_mul(b)).filter(|x| *x <= EXACT);
    match (exact(n, up), exact(d, down)) {
        (Some(n), Some(d)) => n as f64 / d as f64,
        _ => nearest(&format!("{n}e{e}")) / d as f64,
    }
}

/// Mantissa and exponent; an exponent beyond `i32` is far beyond every double.
fn split(decimal: &str) -> (&str, i32) {
    let Some((mantissa, exponent)) = decimal.split_once(['e', 'E']) else {
        return (decimal, 0);
    };
    let beyond = if exponent.starts_with('-') {
        i32::MIN / 2
    } else {
        i32::MAX / 2
    };
    (mantissa, exponent.parse().unwrap_or(beyond))
}

fn nearest(decimal: &str) -> f64 {
    decimal.parse().unwrap_or(f64::NAN)
}

fn gcd(mut a: u128, mut b: u128) -> u128 {
    while b != 0 {
        (a, b) = (b, a % b);
    }
    a
}
