//! Dimensions: exponents over the SI base quantities, in halves so that V/sqrt(Hz) can be said.

/// Number of bases: the seven of the SI, then angle and number of things counted.
pub(super) const COUNT: usize = 9;

/// Exponents, in halves, of metre, kilogram, second, ampere, kelvin, mole, candela, radian and count.
///
/// In the SI the last two are pure numbers. Here they are told apart from pure numbers, so that a phase
/// in degrees or a number of samples cannot be taken for a ratio.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct Dimension(pub(super) [i8; COUNT]);

/// Symbols of the bases, in the order of the exponents.
pub(super) const BASES: [&str; COUNT] = ["m", "kg", "s", "A", "K", "mol", "cd", "rad", "count"];

impl Dimension {
    /// The dimension of a pure number.
    pub const ONE: Dimension = Dimension([0; COUNT]);

    /// From whole exponents.
    pub(super) const fn whole(exponents: [i8; COUNT]) -> Self {
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

    /// With angles and counts taken as pure numbers, as the SI does.
    pub(super) fn without_tags(self) -> Self {
        let [m, kg, s, a, k, mol, cd, ..] = self.0;
        Dimension([m, kg, s, a, k, mol, cd, 0, 0])
    }
}
