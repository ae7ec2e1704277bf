//! Phases, which are the same a turn further on.

use std::borrow::Cow;
use std::f64::consts::TAU;

use num_complex::Complex64;
use phasemill_engine::flow::Flow;
use phasemill_engine::value::{Estimate, Value};

/// How values of a flow differ: phases relative to a clock by the nearest difference, within half a turn.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Differing {
    is_phase: bool,
}

impl Differing {
    /// For values of this flow.
    pub fn of(flow: Option<&Flow>) -> Self {
        Differing {
            is_phase: flow.is_some_and(Flow::is_phase),
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

    /// `a` less `b`, with what is uncertain of both.
    pub fn less_of(self, a: &Estimate, b: &Estimate) -> Value {
        let value = self.less(a.value, b.value);
        let sign = |input: usize, d: Complex64| if input == 0 { d } else { -d };
        Value::Estimate(Estimate::propagate(&[a, b], value, sign))
    }

    /// `x`, a phase as many turns further as brings it nearest to `middle`.
    pub fn near(self, x: Complex64, middle: Complex64) -> Complex64 {
        match self.is_phase {
            true => x - TAU * libm::round((x.re - middle.re) / TAU),
            false => x,
        }
    }

    /// What was drawn of a series, phases nearest to those of the run.
    pub fn near_run(
        self,
        drawn: &[Option<Complex64>],
        run: &[Option<Value>],
    ) -> Vec<Option<Complex64>> {
        let near = |(z, value): (&Option<Complex64>, &Option<Value>)| {
            let middle = value.as_ref().and_then(Value::estimate);
            let z = (*z)?;
            Some(middle.map_or(z, |e| self.near(z, e.value)))
        };
        drawn.iter().zip(run).map(near).collect()
    }

    /// A series whose phases are nearest to the first.
    pub fn about_the_first<'s>(self, series: &'s [Option<Value>]) -> Cow<'s, [Option<Value>]> {
        self.moved(series, |first, _| first)
    }

    /// A series whose phases are nearest to the ones before, so that they go on over several turns.
    pub fn unwound<'s>(self, series: &'s [Option<Value>]) -> Cow<'s, [Option<Value>]> {
        self.moved(series, |_, last| last)
    }

    fn moved<'s>(
        self,
        series: &'s [Option<Value>],
        middle: impl Fn(Complex64, Complex64) -> Complex64,
    ) -> Cow<'s, [Option<Value>]> {
        if !self.is_phase {
            return Cow::Borrowed(series);
        }
        let mut known: Option<(Complex64, Complex64)> = None;
        let one = |value: &Option<Value>| {
            let estimate = value.as_ref()?.estimate()?;
            let near = |(first, last)| self.near(estimate.value, middle(first, last));
            let value = known.map_or(estimate.value, near);
            known = Some((known.map_or(value, |(first, _)| first), value));
            let estimate = estimate.clone();
            Some(Value::Estimate(Estimate { value, ..estimate }))
        };
        Cow::Owned(series.iter().map(one).collect())
    }
}

#[cfg(test)]
mod tests {
    use phasemill_engine::flow::Kind;
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
