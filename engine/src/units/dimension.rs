//! Dimensions: exponents over the SI base quantities, in halves so that V/sqrt(Hz) can be said.

/// Exponents, in halves, of metre, kilogram, second, ampere, kelvin, mole, candela and radian.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct Dimension(pub(super) [i8; 8]);

/// Symbols of the bases, in the order of the exponents.
pub(super) const BASES: [&str; 8] = ["m", "kg", "s", "A", "K", "mol", "cd", "rad"];

impl Dimension {
    /// The dimension of a pure number.
    pub const ONE: Dimension = Dimension([0; 8]);

    /// From whole exponents.
    pub(super) const fn whole(exponents: [i8; 8]) -> Self {
        let mut halves = exponents;
        let mut i = 0;
        while i < halves.len() {
            halves[i] *= 2;
            i += 1;
        }
        Dimension(halves)
    }

    /// Exponents of self plus `factor` times those of `other`; `None` when one leaves the range.
    pub(super) fn combine(self, other: Self, factor: i8) -> Option<Self> {
        let mut sum = self.0;
        for (a, b) in sum.iter_mut().zip(other.0) {
            *a = a.checked_add(b.checked_mul(factor)?)?;
        }
        Some(Dimension(sum))
    }

    /// The square root; `None` when an exponent would be a quarter.
    pub(super) fn root(self) -> Option<Self> {
        let mut half = self.0;
        for e in &mut half {
            if *e % 2 != 0 {
                return None;
            }
            *e /= 2;
        }
        Some(Dimension(half))
    }
}
