//! What a plan says of kept results in their own unit: noise and constants against averaging time, and the time that an
//! uncertainty needs.

use phasemill_engine::bench::Bench;
use phasemill_engine::expect::{Expected, Foreseen, Outlook, Spread};
use phasemill_engine::units::{Quantity, Unit, format_quantity};
use serde_json::{Value, json};

use super::{percent, seconds, table};
use crate::figures::number;

/// A standard uncertainty that is wanted, as it is asked for.
#[derive(Clone, Debug)]
pub struct Asked(pub Quantity);

/// What a wanted uncertainty is that of.
#[derive(Clone, Copy, Debug)]
pub enum Of<'o> {
    /// A kept result, in its unit.
    Result(&'o Foreseen),
    /// Its phase, in rad.
    Phase(&'o Foreseen),
    /// The averages as recorded.
    Recorded,
}

/// How an uncertainty is reached.
#[derive(Clone, Copy, Debug)]
pub struct Needed<'o> {
    of: Of<'o>,
    /// What is wanted, in SI units.
    wanted: f64,
    /// The standard uncertainty of the averages that does it, as recorded; `None` where constants alone exceed what is
    /// wanted.
    pub recorded: Option<f64>,
    /// Seconds that have to be averaged for that; `None` where a year is not enough.
    pub time: Option<f64>,
}

impl Asked {
    /// A part of the signal, and not a number in a unit.
    fn is_relative(&self, unit: &Unit) -> bool {
        let Asked(wanted) = self;
        wanted.unit.is_dimensionless() && (wanted.text.contains('%') || !unit.is_dimensionless())
    }

    fn is_angle(&self) -> bool {
        self.0.unit.same_dimension(&Unit::radian())
    }

    /// Refuses what no answer could be given to, whatever is kept.
    ///
    /// # Errors
    /// What was expected.
    pub fn check(&self, bench: &Bench) -> Result<(), String> {
        let text = &self.0.text;
        if self.0.is_level() {
            return Err(format!(
                "error: expected an uncertainty in a unit, in % of the signal or in deg, found `{text}`"
            ));
        }
        if self.0.difference() <= 0.0 {
            return Err(format!(
                "error: expected an uncertainty above zero, found `{text}`"
            ));
        }
        let of_signal = self.is_relative(&bench.unit) || self.is_angle();
        match bench.signal {
            None if of_signal => Err(format!(
                "error: `--uncertainty {text}` is a part of the signal: state `signal` in the bench"
            )),
            _ => Ok(()),
        }
    }

    /// What it means for one outlook: first what has its unit, then the signal as recorded.
    fn of<'o>(&self, bench: &Bench, outlook: &'o Outlook) -> Vec<(Of<'o>, f64)> {
        let Asked(wanted) = self;
        let one = |foreseen: &'o Foreseen| {
            let unit = &foreseen.flow.unit;
            if self.is_relative(unit) {
                let value = foreseen.value.filter(|_| !foreseen.is_angle())?.abs();
                return Some((Of::Result(foreseen), wanted.difference() * value));
            }
            if wanted.unit.same_dimension(unit) {
                return Some((Of::Result(foreseen), wanted.difference()));
            }
            let phase = foreseen.phase.as_ref().filter(|_| self.is_angle());
            phase.map(|_| (Of::Phase(foreseen), wanted.difference()))
        };
        let told: Vec<(Of<'o>, f64)> = outlook.foreseen.iter().filter_map(one).collect();
        if !told.is_empty() {
            return told;
        }
        let recorded = if self.is_relative(&bench.unit) || self.is_angle() {
            bench.signal.map(|signal| wanted.difference() * signal)
        } else {
            let is = wanted.unit.same_dimension(&bench.unit);
            is.then_some(wanted.difference())
        };
        let recorded = recorded.map(|wanted| (Of::Recorded, wanted));
        recorded.into_iter().collect()
    }

    /// What it takes; nothing where no result of the outlook has such a unit.
    pub fn needs<'o>(&self, bench: &Bench, outlook: &'o Outlook) -> Vec<Needed<'o>> {
        let one = |(of, wanted): (Of<'o>, f64)| {
            let recorded = match of {
                Of::Recorded => Some(wanted),
                Of::Result(result) => result.size.room(wanted),
                Of::Phase(result) => result.phase.as_ref().and_then(|p| p.room(wanted)),
            };
            Needed {
                of,
                wanted,
                recorded,
                time: recorded.and_then(|u| outlook.time_for(u)),
            }
        };
        self.of(bench, outlook).into_iter().map(one).collect()
    }

    /// The message where no outlook has a result of such a unit.
    pub fn unfit(&self, bench: &Bench, outlooks: &[Outlook]) -> String {
        let mut units: Vec<String> = Vec::new();
        for result in outlooks.iter().flat_map(|o| &o.foreseen) {
            let told = format!("{} as of `{}`", result.flow.unit.ascii(), result.result);
            if !units.contains(&told) {
                units.push(told);
            }
        }
        units.push(format!("{} as recorded", bench.unit.to_coherent().ascii()));
        format!(
            "error: expected an uncertainty in {}, in % of the signal or in deg, found `{}`",
            units.join(", in "),
            self.0.text
        )
    }
}

impl Needed<'_> {
    /// What is wanted, and of what.
    fn wanted(&self, bench: &Bench) -> String {
        match self.of {
            Of::Recorded => format!(
                "an uncertainty of {}",
                format_quantity(self.wanted, &bench.unit.to_coherent(), 3)
            ),
            Of::Result(result) => format!(
                "an uncertainty of {} of `{}`",
                format_quantity(self.wanted, &result.flow.unit, 3),
                result.result
            ),
            Of::Phase(result) => format!(
                "an uncertainty of {} of the phase of `{}`",
                format_quantity(self.wanted, &Unit::degree(), 3),
                result.result
            ),
        }
    }

    fn spread(&self) -> Option<(&Spread, Unit)> {
        match self.of {
            Of::Recorded => None,
            Of::Result(result) => Some((&result.size, result.flow.unit.clone())),
            Of::Phase(result) => Some((result.phase.as_ref()?, Unit::degree())),
        }
    }

    /// The answer as a line.
    pub fn text(&self, bench: &Bench, settling: f64) -> String {
        let wanted = self.wanted(bench);
        let fixed = self
            .spread()
            .filter(|(spread, _)| spread.of_constants() > 0.0);
        let constants =
            |(spread, unit): &(&Spread, Unit)| format_quantity(spread.of_constants(), unit, 3);
        match (self.recorded, self.time) {
            (None, _) => format!(
                "{wanted} is not reached by averaging: constants alone make {} ({}); only knowing them better helps",
                fixed.as_ref().map(constants).unwrap_or_default(),
                fixed
                    .as_ref()
                    .map(|(s, unit)| named(s, unit))
                    .unwrap_or_default(),
            ),
            (Some(_), None) => format!("a year is not enough for {wanted}"),
            (Some(_), Some(t)) => format!(
                "{wanted} needs an average of {}, {} with settling{}",
                seconds(t),
                seconds(t + settling),
                fixed.map_or(String::new(), |f| format!(
                    "; constants make {} of it",
                    constants(&f)
                ))
            ),
        }
    }

    /// The answer for another program.
    pub fn json(&self, bench: &Bench, settling: f64) -> Value {
        let (what, unit) = match self.of {
            Of::Recorded => (None, bench.unit.to_coherent()),
            Of::Result(result) => (Some(&result.result), result.flow.unit.to_coherent()),
            Of::Phase(result) => (Some(&result.result), Unit::radian()),
        };
        json!({
            "result": what,
            "standard_uncertainty": self.wanted,
            "unit": unit.ascii(),
            "of_constants": self.spread().map(|(s, _)| s.of_constants()),
            "standard_uncertainty_unit": self.recorded,
            "averaging_time_s": self.time,
            "total_time_s": self.time.map(|t| t + settling),
        })
    }
}

/// Constants with what they contribute, the largest first.
fn named(spread: &Spread, unit: &Unit) -> String {
    let mut all: Vec<&(String, f64)> = spread.constants.iter().filter(|(_, u)| *u > 0.0).collect();
    all.sort_by(|a, b| b.1.total_cmp(&a.1));
    let one = |(name, u): &&(String, f64)| format!("{name} {}", format_quantity(*u, unit, 3));
    all.iter().map(one).collect::<Vec<_>>().join(", ")
}

/// Whether a result says more in its own unit than what is recorded does.
fn says_more(result: &Foreseen, bench: &Bench) -> bool {
    let unit = result.flow.unit.same_dimension(&bench.unit);
    let constants = match result.is_angle() {
        true => result.size.of_constants(),
        false => result.relative_constants,
    };
    !unit || result.size.per_noise != 1.0 || constants > 0.0
}

/// Kept results against averaging time, in their own units.
pub fn text(bench: &Bench, outlook: &Outlook, rows: &[Expected]) -> String {
    let told = outlook.foreseen.iter().filter(|f| says_more(f, bench));
    told.map(|result| block(result, rows)).collect()
}

fn block(result: &Foreseen, rows: &[Expected]) -> String {
    let unit = &result.flow.unit;
    let show = |x: f64| format_quantity(x, unit, 3);
    let convention = result.flow.convention;
    let convention = convention.map_or(String::new(), |c| format!(", {c}"));
    let fixed = result.size.of_constants();
    let constants = match (result.relative_constants, result.value) {
        _ if result.is_angle() && fixed > 0.0 => format!(
            "constants make {} of its uncertainty, however long is averaged ({})",
            show(fixed),
            named(&result.size, unit)
        ),
        _ if result.is_angle() => "no constant adds to its uncertainty".to_owned(),
        (0.0, _) => "no constant adds to its uncertainty".to_owned(),
        (relative, None) => format!(
            "constants add {} of its value, which is not in what follows, since the bench states no `signal`",
            percent(relative)
        ),
        (relative, Some(_)) => format!(
            "constants make {} of its uncertainty, {} of the value, however long is averaged ({})",
            show(fixed),
            percent(relative),
            named(&result.size, unit)
        ),
    };
    let expected = result
        .value
        .map_or(String::new(), |v| format!(" {} expected;", show(v)));
    let part = result.value.filter(|_| !result.is_angle());
    let (more, relative) = (fixed > 0.0, part.is_some());
    let columns = [
        (true, "averaged"),
        (true, "u of noise"),
        (more, "u with constants"),
        (relative, "u/value"),
    ];
    let shown = columns.iter().filter(|(shown, _)| *shown);
    let mut cells: Vec<Vec<String>> = vec![shown.map(|(_, name)| (*name).to_owned()).collect()];
    cells.extend(rows.iter().map(|e| {
        let total = result.size.total(e.standard_uncertainty_unit);
        let mut row = vec![
            seconds(e.averaging_time_s),
            show(result.size.per_noise * e.standard_uncertainty_unit),
        ];
        row.extend(more.then(|| show(total)));
        row.extend(part.map(|v| number(100.0 * total / v.abs()) + " %"));
        row
    }));
    format!(
        "    `{}`{convention}:{expected} {constants}\n{}",
        result.result,
        table(&cells)
    )
}

/// What kept results come to where the averages have an uncertainty, as the end of a list.
pub fn at_once(bench: &Bench, outlook: &Outlook, recorded: f64) -> String {
    let told = outlook.foreseen.iter().filter(|f| says_more(f, bench));
    let one = |f: &Foreseen| {
        let u = format_quantity(f.size.total(recorded), &f.flow.unit, 3);
        format!(", {u} of `{}`", f.result)
    };
    told.map(one).collect()
}

/// Kept results for another program, in SI units.
pub fn json(outlook: &Outlook, rows: &[Expected]) -> Value {
    let one = |result: &Foreseen| {
        let spread = |spread: &Spread| {
            let constants = spread.constants.iter();
            json!({
                "per_noise": spread.per_noise,
                "of_constants": spread.of_constants(),
                "constants": constants.map(|(name, u)| json!({"name": name, "standard_uncertainty": u})).collect::<Vec<_>>(),
                "standard_uncertainties": rows.iter().map(|e| spread.total(e.standard_uncertainty_unit)).collect::<Vec<_>>(),
            })
        };
        json!({
            "result": result.result,
            "unit": result.flow.unit.to_coherent().ascii(),
            "convention": result.flow.convention.map(|c| c.to_string()),
            "value": result.value,
            "relative_constants": result.relative_constants,
            "size": spread(&result.size),
            "phase": result.phase.as_ref().map(spread),
        })
    };
    outlook.foreseen.iter().map(one).collect()
}
