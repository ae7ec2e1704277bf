//! Why a number of one result file differs from one of another: what differs in what they were made of,
//! and what each difference does to the number, found by computing again with one change at a time.

mod intact;
mod tree;
mod variant;

use crate::lineage::{Chosen, Record};
use crate::run::Monitor;
use crate::stage::Registry;
use crate::store::StoreError;
use crate::verify;
use intact::Intact;
use variant::{Difference, Variant};

/// What is known of one difference.
#[derive(Clone, Debug, PartialEq)]
pub struct Cause {
    /// What differs, as `stages.smooth.kind.time_constant`; several where they only work together.
    pub what: Vec<String>,
    /// What it was and what it is, as written.
    pub from_to: Vec<(String, String)>,
    /// What it changes in each column of the number; `None` where that could not be computed.
    pub effect: Option<Vec<f64>>,
    /// Why it could not be computed.
    pub why_not: String,
}

/// Why two numbers differ.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Report {
    /// The output, in each file.
    pub outputs: [String; 2],
    /// The point in each file.
    pub points: [u64; 2],
    /// Where these lie on the axis, as `415 nm`; empty where points are only numbered.
    pub places: [String; 2],
    /// The sample or bin, where there are several at a point.
    pub sample: Option<u64>,
    /// Columns of the number, as `value`, or `in_phase` and `quadrature`.
    pub columns: Vec<String>,
    /// Unit of the numbers here, in ASCII.
    pub unit: String,
    /// The number in each file.
    pub numbers: [Vec<f64>; 2],
    /// Whether the stored number in each file is not the one that was written.
    pub changed: [bool; 2],
    /// What this program makes of each file's recipe and recordings, less what is stored there; `None` where that
    /// could not be computed.
    pub program: [Option<Vec<f64>>; 2],
    /// What explains the difference.
    pub causes: Vec<Cause>,
    /// What all causes together do, less the sum of what each does alone.
    pub interaction: Option<Vec<f64>>,
    /// What differs and does nothing to this number.
    pub idle: Vec<String>,
    /// Programs, kernels, libraries that differ.
    pub versions: Vec<String>,
    /// What else is to be said.
    pub notes: Vec<String>,
}

impl Report {
    /// Whether the two numbers are the same, bit by bit.
    pub fn is_same(&self) -> bool {
        let bits = |n: &Vec<f64>| n.iter().map(|x| x.to_bits()).collect::<Vec<_>>();
        bits(&self.numbers[0]) == bits(&self.numbers[1])
    }

    /// Whether both numbers could be computed again, or need not be.
    pub fn is_computed(&self) -> bool {
        self.is_same() || self.program.iter().all(Option::is_some)
    }
}

/// Why two numbers could not be compared.
#[derive(Debug, thiserror::Error)]
pub enum DifferError {
    /// A file cannot be read.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The outputs do not fit each other.
    #[error("{0}")]
    Unfit(String),
    /// The user stopped it.
    #[error("stopped")]
    Interrupted,
}

/// What a comparison needs.
#[derive(Clone, Copy)]
pub struct Options<'o> {
    /// The stages there are.
    pub registry: &'o Registry,
    /// Folders in which recordings that were moved are looked for.
    pub folders: &'o [std::path::PathBuf],
    /// Threads; 0 means one per core.
    pub threads: usize,
}

/// Explains why an output of `b` differs from one of `a`.
///
/// # Errors
/// When files cannot be read or the outputs do not fit each other.
pub fn differ(
    (a, of_a): (&Record, Chosen<'_>),
    (b, of_b): (&Record, Chosen<'_>),
    options: &Options<'_>,
    monitor: &Monitor,
) -> Result<Report, DifferError> {
    let mut report = Report {
        outputs: [of_a.output.name.clone(), of_b.output.name.clone()],
        versions: versions(a, of_a, b, of_b),
        ..Report::default()
    };
    locate(&mut report, (a, of_a), (b, of_b))?;
    let mut intact =
        [("first", a, of_a), ("second", b, of_b)].map(|(which, record, chosen)| Intact {
            which,
            record,
            chosen,
            notes: Vec::new(),
        });
    for (k, intact) in intact.iter_mut().enumerate() {
        report.changed[k] = !intact.value(report.points[k]);
    }
    if report.is_same() {
        report.notes = intact.into_iter().flat_map(|i| i.notes).collect();
        return Ok(report);
    }
    let read =
        |record: &Record| verify::texts(record, options.registry).map_err(DifferError::Unfit);
    let (texts_a, texts_b) = (read(a)?, read(b)?);
    let quick = verify::Options {
        registry: options.registry,
        folders: options.folders,
        quick: true,
        threads: options.threads,
    };
    let found_a = verify::find(a, of_a.entry, &texts_a, &quick);
    let found_b = verify::find(b, of_b.entry, &texts_b, &quick);
    let hindrances = [
        intact[0].hindrances(report.points[0], &texts_a, &found_a, &quick),
        intact[1].hindrances(report.points[1], &texts_b, &found_b, &quick),
    ];
    report.notes = intact.into_iter().flat_map(|i| i.notes).collect();
    let first = Variant::of(&texts_a, &found_a, &of_a.output.name, &report, 0);
    let (texts_b, output) = variant::renamed(of_a, of_b, texts_b, options.registry)?;
    let second = Variant::of(&texts_b, &found_b, &output, &report, 1);
    let differences = first.differences(&second, a, of_a, b, of_b, &report.places);
    if hindrances.iter().any(|h| !h.is_empty()) {
        let told = hindrances.iter().flatten();
        report
            .notes
            .extend(told.map(|why| format!("nothing was computed: {why}")));
        report.causes = differences
            .iter()
            .map(|d| d.cause(None, "not computed"))
            .collect();
        return Ok(report);
    }
    let mut bench = Bench {
        report: &report,
        options,
        monitor,
    };
    let effects = bench.effects(&first, &second, &differences)?;
    report.program = effects.program;
    report.causes = effects.causes;
    report.interaction = effects.interaction;
    report.idle = effects.idle;
    report.notes.extend(effects.notes);
    Ok(report)
}

/// Chooses the point and the sample, and reads both numbers.
fn locate(
    report: &mut Report,
    (a, of_a): (&Record, Chosen<'_>),
    (b, of_b): (&Record, Chosen<'_>),
) -> Result<(), DifferError> {
    let names = |record: &Record, c: Chosen<'_>| {
        let names = record
            .file
            .names(&format!("/{}/{}", c.entry.name, c.output.name));
        let columns = ["value", "in_phase", "quadrature", "cycles"];
        let there = columns.into_iter().filter(|c| names.iter().any(|n| n == c));
        there.map(str::to_owned).collect::<Vec<_>>()
    };
    report.columns = names(a, of_a);
    if report.columns.is_empty() || report.columns != names(b, of_b) {
        return Err(DifferError::Unfit(format!(
            "expected outputs of one kind, found `{}` with {} and `{}` with {}",
            of_a.output.name,
            report.columns.join(", "),
            of_b.output.name,
            names(b, of_b).join(", ")
        )));
    }
    let unit = |record: &Record, c: Chosen<'_>| {
        let path = format!("/{}/{}/{}", c.entry.name, c.output.name, report.columns[0]);
        record.file.attribute(&path, "units").unwrap_or_default()
    };
    report.unit = unit(a, of_a);
    let factor = factor(&unit(b, of_b), &report.unit).ok_or_else(|| {
        DifferError::Unfit(format!(
            "expected units of one dimension, found {} and {}",
            report.unit,
            unit(b, of_b)
        ))
    })?;
    let points = of_a.output.points.min(of_b.output.points);
    if points == 0 {
        return Err(DifferError::Unfit(
            "expected points in both outputs, found none in one".into(),
        ));
    }
    let asked = of_a.point.or(of_b.point);
    let candidates = match asked {
        Some(point) => point..point + 1,
        None => 0..points,
    };
    for point in candidates {
        let there = of_b.point.unwrap_or(point);
        report.points = [point, there];
        let rows = [(a, of_a, point, 1.0), (b, of_b, there, factor)];
        let rows = rows.map(|(record, chosen, point, factor)| {
            row(record, chosen, &report.columns, point, factor)
        });
        let [x, y] = rows;
        let (x, y) = (x?, y?);
        let differs =
            |(p, q): (&f64, &f64)| p.to_bits() != q.to_bits() && !(p.is_nan() && q.is_nan());
        let first = |(p, q): (&Vec<f64>, &Vec<f64>)| p.iter().zip(q).position(differs);
        let index = x.iter().zip(&y).filter_map(first).min();
        let several = x.iter().any(|row| row.len() > 1);
        let at = index.unwrap_or(0);
        report.sample = several.then_some(at as u64);
        let pick = |rows: &Vec<Vec<f64>>| {
            rows.iter()
                .map(|r| r.get(at).copied().unwrap_or(f64::NAN))
                .collect()
        };
        report.numbers = [pick(&x), pick(&y)];
        if index.is_some() {
            break;
        }
    }
    report.places = [
        place(a, of_a, report.points[0]),
        place(b, of_b, report.points[1]),
    ];
    Ok(())
}

/// Where a point lies on the axis of its output; nothing where points are only numbered.
fn place(record: &Record, chosen: Chosen<'_>, point: u64) -> String {
    let group = format!("/{}/{}", chosen.entry.name, chosen.output.name);
    let axes = record.file.attribute(&group, "axes").unwrap_or_default();
    let axis = axes.trim_matches(['[', ']']).split(", ").next();
    let path = format!("{group}/{}", axis.unwrap_or_default());
    let there = record.file.floats(&path).unwrap_or_default();
    let at = there.get(point as usize).filter(|_| there.len() > 1);
    let unit = record.file.attribute(&path, "units").unwrap_or_default();
    at.filter(|x| x.is_finite() && !(unit.is_empty() && **x == point as f64))
        .map_or(String::new(), |x| {
            format!("{x} {unit}").trim_end().to_owned()
        })
}

/// The rows of the columns of a point, times a factor.
fn row(
    record: &Record,
    chosen: Chosen<'_>,
    columns: &[String],
    point: u64,
    factor: f64,
) -> Result<Vec<Vec<f64>>, StoreError> {
    let of = |column: &String| {
        let path = format!("/{}/{}/{column}", chosen.entry.name, chosen.output.name);
        let row = record.file.row(&path, chosen.output.points, point)?;
        Ok(match factor == 1.0 {
            true => row,
            false => row.into_iter().map(|x| x * factor).collect(),
        })
    };
    columns.iter().map(of).collect()
}

fn factor(from: &str, to: &str) -> Option<f64> {
    if from == to {
        return Some(1.0);
    }
    let unit = |text| crate::units::Unit::parse(text).ok();
    unit(from)?.factor_to(&unit(to)?)
}

/// Programs, libraries and kernels of which the two are not of one version.
fn versions(a: &Record, of_a: Chosen<'_>, b: &Record, of_b: Chosen<'_>) -> Vec<String> {
    let mut found = Vec::new();
    let (x, y) = (&a.lineage, &b.lineage);
    if x.program != y.program {
        found.push(format!("program {} and {}", x.program, y.program));
    }
    for (name, version) in &x.libraries {
        let other = y.libraries.iter().find(|(n, _)| n == name);
        if let Some((_, other)) = other.filter(|(_, v)| v != version) {
            found.push(format!("{name} {version} and {other}"));
        }
    }
    for node in of_a.entry.chain(of_a.output) {
        let twin = of_b
            .entry
            .node(&node.name)
            .filter(|n| n.stage == node.stage);
        if let Some(twin) = twin.filter(|n| n.numeric_version != node.numeric_version) {
            found.push(format!(
                "kernel of {} (`{}`), version {} and {}",
                node.stage, node.name, node.numeric_version, twin.numeric_version
            ));
        }
    }
    found
}

/// Computes variants of the number.
struct Bench<'b> {
    report: &'b Report,
    options: &'b Options<'b>,
    monitor: &'b Monitor,
}

/// What came out on the bench.
#[derive(Default)]
struct Effects {
    program: [Option<Vec<f64>>; 2],
    causes: Vec<Cause>,
    interaction: Option<Vec<f64>>,
    idle: Vec<String>,
    notes: Vec<String>,
}

fn minus(a: &[f64], b: &[f64]) -> Vec<f64> {
    a.iter().zip(b).map(|(a, b)| a - b).collect()
}

impl Bench<'_> {
    /// The number of a variant, or why there is none.
    fn number(&self, variant: &Variant) -> Result<Result<Vec<f64>, String>, DifferError> {
        let made = variant.compute(self.report, self.options, self.monitor);
        match self.monitor.stop.load(std::sync::atomic::Ordering::Relaxed) {
            true => Err(DifferError::Interrupted),
            false => Ok(made),
        }
    }

    fn effects(
        &mut self,
        first: &Variant,
        second: &Variant,
        differences: &[Difference],
    ) -> Result<Effects, DifferError> {
        let mut effects = Effects::default();
        let stored = &self.report.numbers;
        let base = match self.number(first)? {
            Ok(base) => base,
            Err(why) => {
                effects
                    .notes
                    .push(format!("the first number cannot be computed again: {why}"));
                effects.causes = differences
                    .iter()
                    .map(|d| d.cause(None, "not computed"))
                    .collect();
                return Ok(effects);
            }
        };
        let end = self.number(second)?;
        effects.program[0] = Some(minus(&base, &stored[0]));
        match &end {
            Ok(end) => effects.program[1] = Some(minus(end, &stored[1])),
            Err(why) => effects
                .notes
                .push(format!("the second number cannot be computed again: {why}")),
        }
        // What does not work alone is tried together.
        let mut joint: Vec<&Difference> = Vec::new();
        let mut alone: Vec<(&Difference, Vec<f64>)> = Vec::new();
        let base_key = first.key(self.options.registry);
        for difference in differences {
            let variant = first.with(&[difference]);
            let key = variant.key(self.options.registry);
            if key.is_some() && key == base_key && difference.is_in_texts() {
                effects.idle.push(difference.name());
                continue;
            }
            match self.number(&variant)? {
                Ok(number) => alone.push((difference, minus(&number, &base))),
                Err(_) => joint.push(difference),
            }
        }
        let mut sum = vec![0.0; base.len()];
        let mut complete = end.is_ok();
        for (difference, effect) in alone {
            if effect.iter().all(|x| *x == 0.0) {
                effects.idle.push(difference.name());
                continue;
            }
            sum.iter_mut().zip(&effect).for_each(|(s, e)| *s += e);
            effects.causes.push(difference.cause(Some(effect), ""));
        }
        if !joint.is_empty() {
            let variant = first.with(&joint);
            let key = variant.key(self.options.registry);
            let mut together = Cause {
                what: joint.iter().map(|d| d.name()).collect(),
                from_to: joint.iter().map(|d| d.ends()).collect(),
                effect: None,
                why_not: String::new(),
            };
            match self.number(&variant)? {
                Ok(_)
                    if key.is_some()
                        && key == base_key
                        && joint.iter().all(|d| d.is_in_texts()) =>
                {
                    effects.idle.append(&mut together.what);
                }
                Ok(number) => {
                    let effect = minus(&number, &base);
                    sum.iter_mut().zip(&effect).for_each(|(s, e)| *s += e);
                    together.effect = Some(effect);
                    effects.causes.push(together);
                }
                Err(why) => {
                    complete = false;
                    together.why_not = why;
                    effects.causes.push(together);
                }
            }
        }
        if let (Ok(end), true) = (&end, complete) {
            effects.interaction = Some(minus(&minus(end, &base), &sum));
        }
        Ok(effects)
    }
}
