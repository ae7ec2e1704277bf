//! What planned averages become in the results that are kept: their value and unit, and what the constants of the recipe
//! add to their uncertainty. The recipe's own stages work on values that stand for the averages of a point.

use std::collections::BTreeMap;

use num_complex::Complex64;

use crate::aspect::Aspect;
use crate::check::{Kept, Typed};
use crate::flow::{Flow, Kind};
use crate::graph::Node;
use crate::recipe::Recipe;
use crate::response::Figures;
use crate::stage::Work;
use crate::units::Unit;
use crate::value::{About, Estimate, Evaluation, Part, Reach, Value};

/// Noise of the planned averages as a part of the signal: so small that everything follows it along straight lines.
const SMALL: f64 = 1e-6;

/// What the noise of an average is called while a plan is worked out.
const NOISE: &str = "noise of ";

/// A kept result for a signal, before anything is recorded.
#[derive(Clone, Debug, PartialEq)]
pub struct Foreseen {
    /// Its name.
    pub result: String,
    /// Its unit, and how it states amplitudes.
    pub flow: Flow,
    /// Its value in SI units, the amplitude of a complex one; `None` where the bench states no signal.
    pub value: Option<f64>,
    /// The uncertainty of that value, in SI units.
    pub size: Spread,
    /// The uncertainty of the phase of a complex one, in rad.
    pub phase: Option<Spread>,
    /// What all constants together make of the uncertainty, as a part of the value; of no meaning for an angle.
    pub relative_constants: f64,
}

/// What the uncertainty of a planned number is made of.
#[derive(Clone, Debug, PartialEq)]
pub struct Spread {
    /// Standard uncertainty per standard uncertainty of each average behind it, as recorded and as peak. The noise of
    /// one average is taken as independent of that of another.
    pub per_noise: f64,
    /// What each constant contributes, by name; nothing where the bench states no signal.
    pub constants: Vec<(String, f64)>,
}

impl Foreseen {
    /// Whether it is an angle, of which a part says nothing.
    pub fn is_angle(&self) -> bool {
        self.flow.unit.same_dimension(&Unit::radian())
    }
}

/// Part of an uncertainty below which a constant does nothing but round.
const NOTHING: f64 = 1e-9;

impl Spread {
    /// What the constants make of the uncertainty together, however long is averaged.
    pub fn of_constants(&self) -> f64 {
        let squares: f64 = self.constants.iter().map(|(_, u)| u * u).sum();
        squares.sqrt()
    }

    /// Standard uncertainty where that of the averages is `recorded`.
    pub fn total(&self, recorded: f64) -> f64 {
        libm::hypot(self.per_noise * recorded, self.of_constants())
    }

    /// The largest standard uncertainty of the averages with which this one is no larger than `wanted`; `None` where the
    /// constants alone reach that.
    pub fn room(&self, wanted: f64) -> Option<f64> {
        let fixed = self.of_constants();
        let left = (wanted - fixed) * (wanted + fixed);
        (left > 0.0).then(|| left.sqrt() / self.per_noise)
    }
}

/// Which averages see the signal.
#[derive(Clone, Copy, PartialEq)]
enum Seeing {
    /// Those of the recording itself, as where a named one has the beam blocked.
    Own,
    /// All, as where a named one has the reference of a ratio.
    All,
    /// The first alone.
    First,
}

/// Averages with the same chain, and what is planned for them.
pub(super) struct Averages<'a> {
    pub recipe: &'a Recipe,
    pub typed: &'a Typed,
    /// The averages.
    pub own: &'a [Node],
    /// Averages with other chains.
    pub others: &'a [Node],
    /// Frequency of the signal in Hz.
    pub frequency: f64,
    /// Peak amplitude of the signal as recorded.
    pub signal: Option<f64>,
    /// Unit of what is recorded.
    pub unit: &'a Unit,
}

/// What each node makes of a plan, by port.
type Values = BTreeMap<Node, Vec<Option<Value>>>;

impl Averages<'_> {
    /// The kept results that are made of these averages alone, point by point. What has no uncertainty of its own is left
    /// out, and what another one that it is made of tells already: in the same unit, or as its phase.
    pub fn foreseen(&self) -> Vec<Foreseen> {
        let mut all: Vec<(Node, Foreseen)> = Vec::new();
        let ways = [Seeing::Own, Seeing::All, Seeing::First].map(|who| self.values(who));
        for kept in &self.typed.results {
            let chain = self.typed.chain(kept.node);
            if self.is_bare(kept) || self.made_of(kept) != [true, false] {
                continue;
            }
            let Some(found) = ways.iter().find_map(|values| self.one(kept, values)) else {
                continue;
            };
            let alike = |(node, other): &(Node, Foreseen)| {
                let same = other.flow.unit.same_dimension(&found.flow.unit);
                chain.contains(node) && (same || found.is_angle() && other.phase.is_some())
            };
            if !all.iter().any(alike) {
                all.push((kept.node, found));
            }
        }
        all.into_iter().map(|(_, found)| found).collect()
    }

    /// The kept results that are made of averages with other chains too: how long each of these averages for a time, and
    /// what their noise has in common, is not known here.
    pub fn mixed(&self) -> Vec<String> {
        let all = self.typed.results.iter();
        let mixed = all.filter(|kept| !self.is_bare(kept) && self.made_of(kept) == [true, true]);
        mixed.map(|kept| kept.name.clone()).collect()
    }

    /// Whether a kept result is made of these averages, and whether of those with other chains.
    fn made_of(&self, kept: &Kept) -> [bool; 2] {
        let chain = self.typed.chain(kept.node);
        [self.own, self.others].map(|nodes| nodes.iter().any(|n| chain.contains(n)))
    }

    fn is_bare(&self, kept: &Kept) -> bool {
        let ports = self.typed.ports[kept.node].as_ref();
        ports.and_then(|p| p.get(kept.port)).is_none_or(|p| p.bare)
    }

    fn one(&self, kept: &Kept, values: &Values) -> Option<Foreseen> {
        let flow = self.typed.flow(kept.node, kept.port)?;
        let value = values.get(&kept.node)?.get(kept.port)?.as_ref()?;
        let estimate = value.estimate()?;
        let main = match flow.kind.is_complex() {
            true => Aspect::Amplitude,
            false => Aspect::Value,
        };
        let size = self.spread(estimate, main)?;
        let value = main.of(estimate);
        // How well an angle is known depends on the signal, and not on the angle.
        let told = match flow.unit.same_dimension(&Unit::radian()) {
            true => self.signal.is_some(),
            false => value != 0.0,
        };
        let usable = told && value.is_finite() && size.per_noise > 0.0;
        let phase = flow.kind.is_complex();
        usable.then(|| Foreseen {
            result: kept.name.clone(),
            flow: flow.clone(),
            value: self.signal.map(|_| value),
            relative_constants: size.of_constants() / value.abs(),
            size: self.at_signal(size),
            phase: phase
                .then(|| self.spread(estimate, Aspect::Phase))
                .flatten()
                .map(|spread| self.at_signal(spread)),
        })
    }

    /// What constants contribute depends on the value, and so on the signal.
    fn at_signal(&self, spread: Spread) -> Spread {
        match self.signal {
            Some(_) => spread,
            None => Spread {
                constants: Vec::new(),
                ..spread
            },
        }
    }

    fn spread(&self, estimate: &Estimate, aspect: Aspect) -> Option<Spread> {
        estimate.parts.as_ref()?;
        let (mut noise, mut constants) = (0.0, Vec::new());
        for line in estimate.contributions() {
            let own = aspect.contribution(estimate, &line);
            match line.about.evaluation {
                Evaluation::Statistical => noise += own * own,
                Evaluation::Stated => constants.push((line.about.name.clone(), own)),
            }
        }
        let finite = |x: f64| x.is_finite();
        let known = finite(noise) && constants.iter().all(|(_, u)| finite(*u));
        let largest = constants.iter().fold(0.0f64, |most, (_, u)| most.max(*u));
        constants.retain(|(_, u)| *u > NOTHING * largest);
        known.then(|| Spread {
            per_noise: noise.sqrt() / (SMALL * self.planned()),
            constants,
        })
    }

    /// The signal, or one that is as good as any where none is stated.
    fn planned(&self) -> f64 {
        self.signal.unwrap_or(1.0)
    }

    fn values(&self, who: Seeing) -> Values {
        let mut all = Values::new();
        for &node in &self.typed.graph.order {
            if let Some(found) = self.value(node, who, &all) {
                all.insert(node, found);
            }
        }
        all
    }

    /// What a node delivers; `None` where that is no value of one point that follows from the averages.
    fn value(&self, node: Node, who: Seeing, known: &Values) -> Option<Vec<Option<Value>>> {
        if self.own.contains(&node) {
            return Some(vec![Some(Value::Estimate(self.average(node, who)?))]);
        }
        let stage = node.checked_sub(self.recipe.inputs.len())?;
        let ports = self.typed.ports[node].as_ref()?;
        if let Some(clock) = ports.first().filter(|p| p.flow.kind == Kind::Clock) {
            let hertz = Unit::hertz();
            let known = clock.flow.frequency.or(clock.flow.expected)?;
            let frequency = |flow: &Flow| {
                let is = flow.kind == Kind::Estimate && flow.unit.same_dimension(&hertz);
                is.then(|| Value::Estimate(exact(known)))
            };
            return Some(ports.iter().map(|p| frequency(&p.flow)).collect());
        }
        let reads = &self.typed.reads[node];
        let inputs: Option<Vec<&Value>> = reads
            .iter()
            .map(|(source, port)| known.get(source)?.get(*port)?.as_ref())
            .collect();
        let inputs = inputs.filter(|i| !i.is_empty())?;
        let flows: Option<Vec<Flow>> = reads
            .iter()
            .map(|(source, port)| self.typed.flow(*source, *port).cloned())
            .collect();
        let configured = &self.recipe.stages.get(stage)?.configured;
        let Ok(Work::Point(work)) = configured.prepare(&flows?) else {
            return None;
        };
        let values = work(&inputs).ok()?;
        Some(values.into_iter().map(Some).collect())
    }

    /// A planned average: the signal behind its chain, with a little noise and what constants scaled the samples.
    fn average(&self, node: Node, who: Seeing) -> Option<Estimate> {
        let flow = self.typed.flow(node, 0)?;
        let &(source, port) = self.typed.reads[node].first()?;
        let origin = self.typed.origins[source].get(port)?;
        // Whatever is not one recorded channel times a number has another gain than the factor tells.
        let input = self.typed.flow(origin.root.0, origin.root.1)?;
        let recorded = origin.root.0 < self.recipe.inputs.len();
        if flow.switched || !recorded || !input.unit.same_dimension(self.unit) {
            return None;
        }
        let [gain, _] = Figures::of(flow, Some(self.frequency))?.signal_gain?;
        let scale = gain * libm::hypot(origin.factor.re, origin.factor.im) * self.planned();
        let named = self.typed.recordings[node].iter().any(|r| !r.is_empty());
        let sees = match who {
            Seeing::Own => !named,
            Seeing::All => true,
            Seeing::First => self.own.first() == Some(&node),
        };
        let value = Complex64::from(if sees { scale } else { 0.0 });
        let about = About::scatter(format!("{NOISE}{node}"), Reach::Node, f64::INFINITY);
        let noise = Complex64::from(SMALL * scale);
        let mut parts = vec![Part::new(&about, 0, noise)];
        if flow.kind.is_complex() {
            parts.push(Part::new(&about, 1, noise * Complex64::i()));
        }
        parts.extend(flow.scalings.iter().filter_map(|s| s.part(value)));
        Some(Estimate {
            parts: Some(parts),
            ..Estimate::bare(value)
        })
    }
}

/// A real value that is exactly known.
fn exact(value: f64) -> Estimate {
    Estimate {
        parts: Some(Vec::new()),
        ..Estimate::real(value)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Noise of 3 and constants of 4 make 5; for 5 there is room for the 3 again, and for 4 none.
    #[test]
    fn room_beside_constants_by_hand() {
        let spread = Spread {
            per_noise: 2.0,
            constants: vec![("a".into(), 4.0)],
        };
        assert_eq!(spread.total(1.5), 5.0);
        assert_eq!(spread.room(5.0), Some(1.5));
        assert_eq!(spread.room(4.0), None);
    }
}
