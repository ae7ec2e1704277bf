//! What is challenged: which result, which channel gets the tones, and what should come back of them.

use std::f64::consts::{FRAC_PI_2, SQRT_2};

use super::Options;
use crate::check::Typed;
use crate::constant::Constant;
use crate::diagnostic::listed;
use crate::flow::{Convention, Flow, Kind};
use crate::graph::{Node, split};
use crate::plan::Scope;
use crate::recipe::Recipe;
use crate::run::Job;
use crate::units::{Quantity, Unit};

/// How an amplitude is stated.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Shape {
    /// A sine's peak.
    Peak,
    /// A sine's root mean square.
    Rms,
    /// The full step of a chopped quantity, up and down for equal times: its fundamental has the peak
    /// 2/pi of it (Fourier series).
    Step,
    /// A square that is switched between plus and minus the amplitude.
    Square,
}

impl Shape {
    /// Peak amplitude of the tone that is added, for an amplitude of one.
    pub(super) fn peak(self) -> f64 {
        match self {
            Shape::Peak | Shape::Square => 1.0,
            Shape::Rms => SQRT_2,
            Shape::Step => 1.0 / FRAC_PI_2,
        }
    }

    /// In words.
    pub fn text(self) -> &'static str {
        match self {
            Shape::Peak => "peak",
            Shape::Rms => "rms",
            Shape::Step => "full step",
            Shape::Square => "square",
        }
    }
}

/// The result, the channel, and the way from one to the other.
pub(super) struct Target {
    /// Name of the result.
    pub result: String,
    /// Its flow.
    pub flow: Flow,
    /// The input that gets the tones.
    pub input: Node,
    /// Its sample rate in Hz.
    pub rate: Option<f64>,
    /// Full scale of its converter in SI units, where that is known.
    pub full_scale: Option<f64>,
    /// How amplitudes are stated.
    pub shape: Shape,
    /// Size at the input, in SI units, of one SI unit of the answer.
    pub through: f64,
    /// Where that number comes from, in words.
    pub through_text: String,
    /// Amplitudes asked for, in SI units of the answer.
    pub amplitudes: Vec<f64>,
}

/// The name of the result to be challenged: the one asked for, the first complex one that is kept, or the
/// last complex estimate that a kept one is made of.
pub(super) fn choose_result(
    recipe: &Recipe,
    typed: &Typed,
    options: &Options,
) -> Result<String, String> {
    let complex = |node: Node, port: usize| {
        typed
            .flow(node, port)
            .is_some_and(|f| f.kind == Kind::ComplexEstimate)
    };
    if let Some(name) = &options.result {
        return match known(recipe, typed, name) {
            true => Ok(name.clone()),
            false => {
                let stages = recipe.stages.iter().enumerate();
                let fitting = stages.filter(|(s, _)| complex(recipe.inputs.len() + s, 0));
                Err(format!(
                    "expected with `--result` a result with in-phase and quadrature part, found `{name}`; there is {}",
                    listed(fitting.map(|(_, s)| s.name.text.as_str()))
                ))
            }
        };
    }
    if let Some(kept) = typed.results.iter().find(|k| complex(k.node, k.port)) {
        return Ok(kept.name.clone());
    }
    let needed = typed.needed(typed.results.iter().map(|k| k.node));
    let mut found = typed.graph.order.iter().rev().filter(|n| needed[**n]);
    found
        .find(|n| complex(**n, 0))
        .and_then(|n| n.checked_sub(recipe.inputs.len()))
        .map(|stage| recipe.stages[stage].name.text.clone())
        .ok_or_else(|| {
            "expected a result with in-phase and quadrature part, found none; name the average of a phasor with `--result`".into()
        })
}

/// Whether the recipe has a stage, and that a port, of this name.
fn known(recipe: &Recipe, typed: &Typed, name: &str) -> bool {
    let (stage, port) = split(name);
    let found = recipe.stages.iter().position(|s| s.name.text == stage);
    let ports = found.and_then(|s| typed.ports[recipe.inputs.len() + s].as_ref());
    ports.is_some_and(|all| port.is_none_or(|port| all.iter().any(|p| p.name() == port)))
}

impl Target {
    /// Finds the target in a job whose only result is the one that is challenged.
    pub fn of(job: &Job<'_>, options: &Options) -> Result<Target, String> {
        let (recipe, typed) = (job.recipe, &job.typed);
        let Some(kept) = typed.results.first() else {
            return Err("the recipe keeps no result".into());
        };
        let Some(flow) = typed.flow(kept.node, kept.port).cloned() else {
            return Err(format!("`{}` has no flow", kept.name));
        };
        if flow.kind != Kind::ComplexEstimate {
            return Err(format!(
                "expected a result with in-phase and quadrature part, found `{}`, which is a {}; name the average of a phasor with `--result`",
                kept.name, flow.kind
            ));
        }
        let alone = |n: Node| typed.recordings[n].len() <= 1;
        if job.plan.scope[kept.node] == Scope::Gathered && alone(kept.node) {
            return Err(format!(
                "`{}` needs all points of the sweep at once, and a challenge runs them one by one; name a flow from before that with `--result`",
                kept.name
            ));
        }
        let input = choose_input(recipe, typed, kept.node, options)?;
        let wave = typed
            .flow(input, 0)
            .map_or_else(Unit::one, |f| f.unit.clone());
        let shape = options.shape.unwrap_or(match flow.convention {
            Some(Convention::Rms) => Shape::Rms,
            Some(Convention::Step) => Shape::Step,
            _ => Shape::Peak,
        });
        let (through, through_text) = through(recipe, &wave, &flow.unit, options)?;
        let mut amplitudes = Vec::new();
        for quantity in &options.amplitudes {
            amplitudes.push(in_answer(quantity, &wave, &flow.unit, through)?);
        }
        Ok(Target {
            result: kept.name.clone(),
            input,
            rate: typed.flow(input, 0).and_then(|f| f.rate),
            full_scale: typed.flow(input, 0).and_then(|f| f.full_scale),
            shape,
            through,
            through_text,
            amplitudes,
            flow,
        })
    }
}

/// The input that the result is made of, other than by way of a reference; of the recording that the run
/// is about.
fn choose_input(
    recipe: &Recipe,
    typed: &Typed,
    result: Node,
    options: &Options,
) -> Result<Node, String> {
    let mut reached = vec![false; typed.reads.len()];
    reached[result] = true;
    for &node in typed.graph.order.iter().rev() {
        if !reached[node] {
            continue;
        }
        for &(source, port) in &typed.reads[node] {
            let clock = typed.flow(source, port).map(|f| f.kind) == Some(Kind::Clock);
            reached[source] |= !clock;
        }
    }
    let found: Vec<Node> = (0..recipe.inputs.len()).filter(|n| reached[*n]).collect();
    let name = |n: Node| recipe.inputs[n].name.text.as_str();
    if let Some(wanted) = &options.into {
        return found
            .iter()
            .copied()
            .find(|n| name(*n) == wanted)
            .ok_or_else(|| {
                format!(
                    "expected a channel that the result is made of, found `{wanted}`; there is {}",
                    listed(found.iter().map(|n| name(*n)))
                )
            });
    }
    let own: Vec<Node> = found
        .iter()
        .copied()
        .filter(|n| recipe.inputs[*n].recording.is_empty())
        .collect();
    match own.as_slice() {
        [one] => Ok(*one),
        [] => {
            Err("the result is made of no channel of this recording; name one with `--into`".into())
        }
        several => Err(format!(
            "the result is made of several channels; say which one gets the tones with `--into`: {}",
            listed(several.iter().map(|n| name(*n)))
        )),
    }
}

/// Size at the input of one unit of the answer: stated, one, or the one constant of the recipe that fits.
fn through(
    recipe: &Recipe,
    wave: &Unit,
    answer: &Unit,
    options: &Options,
) -> Result<(f64, String), String> {
    let needed = wave.div(answer).map_err(|e| e.to_string())?;
    let fitting = |c: &Constant| {
        let inverse = answer.div(wave).is_ok_and(|u| c.unit.same_dimension(&u));
        match c.unit.same_dimension(&needed) {
            true => Some(c.value),
            false => inverse.then(|| 1.0 / c.value),
        }
    };
    // A table has a gain at each frequency; which one counts is for the stage that uses it to say.
    let constants = || {
        recipe
            .constants
            .iter()
            .map(|(_, c)| c)
            .filter(|c| c.table.is_none())
    };
    if let Some(text) = &options.through {
        let constant = match constants().find(|c| c.name == *text) {
            Some(constant) => constant.clone(),
            None => Constant::exact(Quantity::parse(text).map_err(|e| {
                format!("`--through {text}`: {e}, or the name of a constant of the recipe")
            })?),
        };
        return match fitting(&constant) {
            Some(value) => Ok((value, format!("`{text}`, as stated"))),
            None => Err(format!(
                "expected with `--through` what leads from {answer} to {wave}, in {needed}, found {}",
                constant.unit
            )),
        };
    }
    if wave.same_dimension(answer) {
        return Ok((1.0, String::new()));
    }
    let found: Vec<(f64, &str)> = constants()
        .filter_map(|c| Some((fitting(c)?, c.name.as_str())))
        .collect();
    match found.as_slice() {
        [(value, name)] => Ok((*value, format!("the recipe's constant `{name}`"))),
        _ => Err(format!(
            "say with `--through` what an answer of 1 {answer} is in {wave} at the input, as a quantity in {needed} or a constant's name"
        )),
    }
}

/// An amplitude in SI units of the answer, given in its unit or in that of the input.
fn in_answer(
    amplitude: &Quantity,
    wave: &Unit,
    answer: &Unit,
    through: f64,
) -> Result<f64, String> {
    let value = match &amplitude.unit {
        unit if unit.same_dimension(answer) => amplitude.difference(),
        unit if unit.same_dimension(wave) => amplitude.difference() / through,
        _ => {
            return Err(format!(
                "expected an amplitude in {answer} or {wave}, found `{}`",
                amplitude.text
            ));
        }
    };
    match value > 0.0 && value.is_finite() {
        true => Ok(value),
        false => Err(format!(
            "expected an amplitude above zero, found `{}`",
            amplitude.text
        )),
    }
}
