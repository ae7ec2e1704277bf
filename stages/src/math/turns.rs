//! Phases, which are the same a turn further on.

use std::f64::consts::TAU;

use num_complex::Complex64;
use phasemill_engine::flow::{Flow, Kind};

/// What makes the difference of two values of a flow: of phases relative to a clock the nearest one, within half a turn.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Differing {
    is_phase: bool,
}

impl Differing {
    /// For values of this flow.
    pub fn of(flow: Option<&Flow>) -> Self {
        let is_phase = |flow: &Flow| flow.kind == Kind::Estimate && flow.zero_of_phase().is_some();
        Differing {
            is_phase: flow.is_some_and(is_phase),
        }
    }

    /// `a` less `b`.
    pub fn less(self, a: Complex64, b: Complex64) -> Complex64 {
        let difference = a - b;
        match self.is_phase {
            true => difference - TAU * libm::round(difference.re / TAU),
            false => difference,
        }
    }
}

#[cfg(test)]
mod tests {
    use phasemill_engine::units::Unit;

    use super::*;

    #[test]
    fn phases_differ_by_half_a_turn_at_most() {
        let angle = Flow::new(Kind::Estimate, Unit::degree());
        let phase = Flow {
            clock: Some(("clock".into(), 1, 1)),
            ..angle.clone()
        };
        let less = |flow: &Flow, a: f64, b: f64| {
            let [a, b] = [a, b].map(|x| Complex64::from(x.to_radians()));
            Differing::of(Some(flow)).less(a, b).re.to_degrees()
        };
        assert!((less(&phase, 179.0, -179.0) + 2.0).abs() < 1e-12);
        assert!((less(&phase, -170.0, 170.0) - 20.0).abs() < 1e-12);
        assert!((less(&phase, 30.0, -40.0) - 70.0).abs() < 1e-12);
        // An angle that was measured as such may be of several turns.
        assert!((less(&angle, 179.0, -179.0) - 358.0).abs() < 1e-12);
    }
}
