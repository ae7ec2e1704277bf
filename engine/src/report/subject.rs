//! What a page is about: one entry of a result file, its numbers read back, its recipe checked again against what is on
//! record, and what went wrong.

use super::Notice;
use crate::aspect::Aspect;
use crate::check::{Typed, check};
use crate::diagnostic::Diagnostics;
use crate::lineage::{Chosen, Entry, FlowFacts, InputFacts, Node, Output, point_of};
use crate::recipe::{Recipe, Wiring};
use crate::saved::Saved;
use crate::stage::Registry;
use crate::store::{ChannelHeader, StoreError};
use crate::units::{Unit, format_plain};
use crate::verify::{Texts, texts, unfit};

/// Bins of a density or curve, all points together, up to which they are read.
const MOST_BINS: u64 = 1 << 22;

/// An entry, read back.
pub struct Subject<'s> {
    /// The result file.
    pub saved: &'s Saved,
    /// The entry.
    pub entry: &'s Entry,
    /// The outputs that are estimates, in order.
    pub columns: Vec<Column<'s>>,
    /// The outputs that are densities or curves.
    pub curves: Vec<Curves<'s>>,
    /// What failed, was warned of and remarked on.
    pub troubles: Vec<Trouble>,
    /// What of it is not as it was written.
    pub unfit: Vec<String>,
    /// Recipe and wiring; or why they cannot be read any more.
    pub(crate) texts: Result<Texts, String>,
    /// The flows of the recipe, from the headers on record.
    pub typed: Option<Typed>,
}

/// Something that went wrong.
#[derive(Clone, Debug, PartialEq)]
pub struct Trouble {
    /// How much it matters.
    pub kind: Notice,
    /// The point, where it concerns one.
    pub point: Option<u64>,
    /// What happened.
    pub text: String,
}

/// An output that is an estimate at each point.
#[derive(Clone, Debug, PartialEq)]
pub struct Column<'s> {
    /// The output.
    pub output: &'s Output,
    /// How amplitudes are stated; empty where that has no meaning.
    pub convention: String,
    /// What zero and sign of its phase are; empty where that has no meaning.
    pub zero_of_phase: String,
    /// Whether an uncertainty was evaluated.
    pub evaluated: bool,
    /// Whether it has none of its own.
    pub bare: bool,
    /// Whether it belongs to a reference and says how good that is.
    pub of_reference: bool,
    /// Name and unit of the axis; empty where points are only numbered.
    pub axis: (String, String),
    /// Places of the points, in that unit, or their numbers.
    pub places: Vec<f64>,
    /// Its numbers.
    pub numbers: Vec<Numbers>,
    /// What other outputs say of it.
    pub beside: Option<Beside>,
    /// Whether it is such an output itself.
    pub told_elsewhere: bool,
}

/// One number of an estimate at all points, in SI units; NaN where there is none.
#[derive(Clone, Debug, PartialEq)]
pub struct Numbers {
    /// Which number.
    pub aspect: Aspect,
    /// The unit to show it in.
    pub unit: Unit,
    /// The values.
    pub values: Vec<f64>,
    /// Their standard uncertainties.
    pub u: Vec<f64>,
    /// Their degrees of freedom; NaN where the interval was drawn.
    pub freedom: Vec<f64>,
    /// Lower ends of their 95 % intervals.
    pub low: Vec<f64>,
    /// Upper ends.
    pub high: Vec<f64>,
}

/// What other outputs of its stage say of an estimate near zero.
#[derive(Clone, Debug, PartialEq)]
pub struct Beside {
    /// Ends of the 95 % interval.
    pub interval: [Vec<f64>; 2],
    /// 1 where a signal is detected, 0 where not.
    pub detected: Vec<f64>,
    /// What is not exceeded at 95 %.
    pub limit: Vec<f64>,
}

/// An output that is a density or a curve.
pub struct Curves<'s> {
    /// The output.
    pub output: &'s Output,
    /// Name and unit of what it runs along.
    pub along: (String, Unit),
    /// Unit of the values.
    pub unit: Unit,
    /// What it runs along, in SI units.
    pub x: Vec<f64>,
    /// Values and standard uncertainties of each point, in SI units.
    pub points: Vec<(Vec<f64>, Vec<f64>)>,
}

impl<'s> Subject<'s> {
    /// Reads an entry.
    ///
    /// # Errors
    /// [`StoreError`] when a number on record cannot be read.
    pub fn new(
        saved: &'s Saved,
        entry: &'s Entry,
        registry: &Registry,
    ) -> Result<Self, StoreError> {
        let texts = texts(&saved.record, registry);
        let typed = texts.as_ref().ok().map(|t| typed(entry, t));
        let everything: Vec<Chosen<'_>> = entry.everything().collect();
        let unfit = unfit(&saved.record, &everything);
        let mut subject = Subject {
            saved,
            entry,
            columns: Vec::new(),
            curves: Vec::new(),
            troubles: troubles(entry),
            unfit: unfit.iter().map(ToString::to_string).collect(),
            texts,
            typed,
        };
        for output in &entry.outputs {
            let kind = entry.flow(output).map_or("", |f| f.kind.as_str());
            match kind {
                _ if kind.ends_with("estimate") => {
                    let column = subject.column(output)?;
                    subject.columns.push(column);
                }
                "density" | "curve" => {
                    let curves = subject.curves_of(output)?;
                    subject.curves.extend(curves);
                }
                _ => {}
            }
        }
        subject.join();
        Ok(subject)
    }

    /// The output that the page is about first: the first that has an uncertainty and is no property of a reference.
    pub fn main(&self) -> Option<&Column<'s>> {
        let told = || {
            self.columns
                .iter()
                .filter(|c| !c.told_elsewhere && !c.of_reference)
        };
        told().find(|c| c.evaluated).or(told().next())
    }

    /// The recipe, where it can still be read.
    pub fn recipe(&self) -> Option<&Recipe> {
        self.texts.as_ref().ok().map(|t| &t.recipe)
    }

    /// The wiring; an empty one where there was none.
    pub fn wiring(&self) -> Option<&Wiring> {
        self.texts.as_ref().ok().map(|t| &t.wiring)
    }

    /// The frequency in Hz at which a clock was found, in the middle of the points that kept it.
    pub fn measured(&self, clock: &str) -> Option<f64> {
        let own = |c: &&Column<'_>| c.output.node == clock && c.output.port == "frequency";
        let there = self.columns.iter().find(own)?.numbers.first()?.ranked();
        there.get(there.len() / 2).copied()
    }

    /// The node of an output that makes a clock, and with it says how good the reference is.
    pub(super) fn is_clock(node: &Node) -> bool {
        node.flows.iter().any(|f| f.kind == "clock")
    }

    /// The group of an output in the file.
    pub(super) fn group(&self, output: &Output) -> String {
        format!("/{}/{}", self.entry.name, output.name)
    }

    fn column(&self, output: &'s Output) -> Result<Column<'s>, StoreError> {
        let (file, group) = (&self.saved.record.file, self.group(output));
        let held = file.names(&group);
        let has = |name: &str| held.iter().any(|n| n == name);
        let flow = self.entry.flow(output);
        let points = output.points as usize;
        let mut numbers = Vec::new();
        for &aspect in Aspect::all(has("in_phase")) {
            let path = format!("{group}/{}", aspect.name());
            let stated = file.attribute(&path, "units").unwrap_or_default();
            let stated = Unit::parse(&stated).unwrap_or_else(|_| Unit::one());
            let factor = stated.si_factor();
            let read = |suffix: &str, factor: f64| match has(&format!("{}{suffix}", aspect.name()))
            {
                true => {
                    let all = file.floats(&format!("{path}{suffix}"))?;
                    Ok::<Vec<f64>, StoreError>(all.into_iter().map(|x| x * factor).collect())
                }
                false => Ok(vec![f64::NAN; points]),
            };
            numbers.push(Numbers {
                aspect,
                unit: if aspect == Aspect::Phase {
                    Unit::degree()
                } else {
                    stated
                },
                values: read("", factor)?,
                u: read("_errors", factor)?,
                freedom: read("_degrees_of_freedom", 1.0)?,
                low: read("_low", factor)?,
                high: read("_high", factor)?,
            });
        }
        let axis = file.attribute(&group, "axes").unwrap_or_default();
        let (axis, places) = match has(&axis) {
            true => {
                let unit = file.attribute(&format!("{group}/{axis}"), "units");
                (
                    (axis.clone(), unit.unwrap_or_default()),
                    file.floats(&format!("{group}/{axis}"))?,
                )
            }
            false => Default::default(),
        };
        let places = match places.iter().any(|x| x.is_finite()) {
            true => places,
            false => (0..points).map(|p| p as f64).collect(),
        };
        let node = self.entry.node(&output.node);
        Ok(Column {
            output,
            convention: flow.and_then(|f| f.convention.clone()).unwrap_or_default(),
            zero_of_phase: flow.and_then(FlowFacts::zero_of_phase).unwrap_or_default(),
            evaluated: flow.and_then(|f| f.evaluated).unwrap_or(false),
            bare: flow.is_some_and(|f| f.bare),
            of_reference: node.is_some_and(Self::is_clock),
            axis,
            places,
            numbers,
            beside: None,
            told_elsewhere: false,
        })
    }

    /// Gives estimates what other outputs say of them.
    fn join(&mut self) {
        let Some((typed, texts)) = self.typed.as_ref().zip(self.texts.as_ref().ok()) else {
            return;
        };
        let mut found = Vec::new();
        for (k, column) in self.columns.iter().enumerate() {
            let stage = texts
                .recipe
                .stages
                .iter()
                .position(|s| s.name.text == column.output.node);
            let ports = stage.and_then(|s| typed.ports[texts.recipe.inputs.len() + s].as_ref());
            let Some(ports) = ports else { continue };
            let own = ports
                .iter()
                .find(|p| p.name() == column.output.port)
                .or(ports.first());
            let Some(companions) = own.and_then(|p| p.companions) else {
                continue;
            };
            let place = |port: usize| {
                let name = ports.get(port)?.name();
                let is =
                    |c: &Column<'_>| c.output.node == column.output.node && c.output.port == name;
                self.columns.iter().position(is)
            };
            let values =
                |port: usize| Some(self.columns[place(port)?].numbers.first()?.values.clone());
            let all = [companions.low, companions.high, companions.detected];
            if let [Some(low), Some(high), Some(detected)] = all.map(values) {
                let limit = companions.limit.and_then(values).unwrap_or_default();
                let others: Vec<usize> = all
                    .into_iter()
                    .chain(companions.limit)
                    .filter_map(place)
                    .collect();
                let beside = Beside {
                    interval: [low, high],
                    detected,
                    limit,
                };
                found.push((k, beside, others));
            }
        }
        for (k, beside, others) in found {
            self.columns[k].beside = Some(beside);
            others
                .into_iter()
                .for_each(|o| self.columns[o].told_elsewhere = true);
        }
    }

    fn curves_of(&self, output: &'s Output) -> Result<Option<Curves<'s>>, StoreError> {
        let (file, group) = (&self.saved.record.file, self.group(output));
        let held = file.names(&group);
        let path = format!("{group}/value");
        let shape = file.shape(&path);
        let axes = file.attribute(&group, "axes").unwrap_or_default();
        let along = axes
            .trim_matches(['[', ']'])
            .rsplit(", ")
            .next()
            .unwrap_or("")
            .to_owned();
        let fits = shape.iter().product::<u64>() <= MOST_BINS;
        if !fits || !held.contains(&along) {
            return Ok(None);
        }
        let unit_of = |path: &str| {
            let text = file.attribute(path, "units").unwrap_or_default();
            Unit::parse(&text).unwrap_or_else(|_| Unit::one())
        };
        let (x_path, bins) = (
            format!("{group}/{along}"),
            shape.last().copied().unwrap_or(0).max(1),
        );
        let (x_unit, unit) = (unit_of(&x_path), unit_of(&path));
        let si = |all: Vec<f64>, unit: &Unit| -> Vec<f64> {
            all.into_iter().map(|v| v * unit.si_factor()).collect()
        };
        let values = si(file.floats(&path)?, &unit);
        let errors = match held.iter().any(|n| n == "value_errors") {
            true => si(file.floats(&format!("{path}_errors"))?, &unit),
            false => vec![f64::NAN; values.len()],
        };
        let rows = values
            .chunks(bins as usize)
            .zip(errors.chunks(bins as usize));
        Ok(Some(Curves {
            output,
            x: si(file.floats(&x_path)?, &x_unit),
            along: (along, x_unit),
            unit,
            points: rows.map(|(v, u)| (v.to_vec(), u.to_vec())).collect(),
        }))
    }
}

impl Numbers {
    /// The values that there are, smallest first.
    pub fn ranked(&self) -> Vec<f64> {
        ranked(self.values.iter().copied())
    }

    /// The smallest and the largest value in words; `None` where there is none.
    pub(super) fn range(&self) -> Option<String> {
        let there = self.ranked();
        let shown = |x: &f64| format_plain(*x, &self.unit, 4);
        Some(format!(
            "{} to {}",
            shown(there.first()?),
            shown(there.last()?)
        ))
    }
}

/// The numbers among these, smallest first.
pub(super) fn ranked(values: impl Iterator<Item = f64>) -> Vec<f64> {
    let mut there: Vec<f64> = values.filter(|x| x.is_finite()).collect();
    there.sort_unstable_by(f64::total_cmp);
    there
}

impl Column<'_> {
    /// Whether a number has an interval at a point that was drawn, not computed.
    pub fn is_drawn(&self, number: &Numbers, point: usize) -> bool {
        self.evaluated
            && number.freedom[point].is_nan()
            && number.u[point].is_finite()
            && number.low[point].is_finite()
    }

    /// Whether nothing was detected at a point.
    pub fn is_missed(&self, point: usize) -> bool {
        let beside = self.beside.as_ref();
        beside.is_some_and(|b| b.detected.get(point) == Some(&0.0))
    }

    /// Size, uncertainty and interval of the number that stands for it: the value, or the amplitude.
    pub fn size(&self) -> Option<&Numbers> {
        let amplitude = self.numbers.iter().find(|n| n.aspect == Aspect::Amplitude);
        amplitude.or(self.numbers.first())
    }
}

/// What is on record of troubles, with the points that their texts name.
fn troubles(entry: &Entry) -> Vec<Trouble> {
    let of = |kind: Notice, text: &String| Trouble {
        kind,
        point: point_of(text),
        text: text.clone(),
    };
    let failed = entry.failures.iter().map(|t| of(Notice::Failed, t));
    let checks = entry.checks.iter().map(|c| Trouble {
        kind: Notice::Warning,
        point: None,
        text: format!("{} (`phasemill explain {}` says more)", c.message, c.code),
    });
    let remarks = entry.remarks.iter().map(|t| of(Notice::Warning, t));
    failed.chain(checks).chain(remarks).collect()
}

/// The recipe checked against headers as the record has them.
fn typed(entry: &Entry, texts: &Texts) -> Typed {
    let inputs = texts.recipe.inputs.iter();
    let headers: Vec<Option<ChannelHeader>> = inputs
        .map(|i| {
            let node = entry.node(&i.name.text)?;
            let axis = |name: &str| {
                entry
                    .recordings
                    .iter()
                    .any(|r| r.name == name && r.axis.is_some())
            };
            let facts = node.input.as_ref()?;
            Some(header(&node.name, facts, axis(&facts.recording)))
        })
        .collect();
    let header = |role: &str| {
        let input = texts
            .recipe
            .inputs
            .iter()
            .position(|i| i.name.text == role)?;
        headers.get(input)?.as_ref()
    };
    check(&texts.recipe, header, &mut Diagnostics::default())
}

fn header(role: &str, facts: &InputFacts, has_axis: bool) -> ChannelHeader {
    ChannelHeader {
        role: role.into(),
        file: Default::default(),
        dataset: facts.dataset.clone(),
        two_dimensional: facts.points > 1,
        row: facts.length,
        points: facts.points,
        samples: facts.length,
        rate: facts.rate,
        unit: Unit::parse(&facts.unit).unwrap_or_else(|_| Unit::one()),
        unit_is_stated: true,
        scale: facts.scale,
        offset: facts.offset,
        full_scale: facts.full_scale,
        missing: None,
        stored: facts.stored.clone(),
        layout: String::new(),
        start_time: facts.start_time.clone(),
        first_time: None,
        begins: 0,
        stretches: Vec::new(),
        cuts: [].into(),
        has_axis,
    }
}
