//! A bench for the tests of a stage: reads its settings, checks it, feeds it samples in slices.

use crate::constant::Constant;
use crate::diagnostic::{Diagnostics, SourceText};
use crate::flow::{Buffer, Flow, Port, Samples};
use crate::stage::{Checker, Closing, Fault, Series, Stage, Work};
use crate::text::{Piece, Reader};
use crate::value::Value;

/// What a stage under test gave: its faults, ports, samples and values.
#[derive(Debug, Default)]
pub struct Given {
    /// Faults of reading and checking.
    pub diagnostics: Diagnostics,
    /// Its ports.
    pub ports: Vec<Port>,
    /// Samples of each port.
    pub buffers: Vec<Buffer>,
    /// Values and remarks at the end.
    pub closing: Closing,
}

/// Reads and checks a stage written as in a recipe.
pub fn check(
    stage: &dyn Stage,
    text: &str,
    constants: &[Constant],
    inputs: &[Flow],
) -> (Diagnostics, Vec<Port>) {
    configure(stage, text, constants, inputs, |_| ()).0
}

fn configure<T>(
    stage: &dyn Stage,
    text: &str,
    constants: &[Constant],
    inputs: &[Flow],
    then: impl FnOnce(&dyn crate::stage::Configured) -> T,
) -> ((Diagnostics, Vec<Port>), Option<T>) {
    let source = std::sync::Arc::new(SourceText {
        name: "test".into(),
        text: text.into(),
    });
    let mut diagnostics = Diagnostics::default();
    let piece = match Piece::whole(source) {
        Ok(piece) => piece,
        Err(diagnostic) => {
            diagnostics.push(diagnostic);
            return ((diagnostics, Vec::new()), None);
        }
    };
    let (configured, described) = Reader::read(&piece, constants, |r| stage.read(r));
    diagnostics.extend(described.diagnostics.clone());
    if diagnostics.has_errors() {
        return ((diagnostics, Vec::new()), None);
    }
    let place = piece.place();
    let mut checker = Checker {
        stage: "test",
        place: &place,
        described: &described,
        diagnostics: &mut diagnostics,
        failed: false,
    };
    let ports = configured.check(inputs, &mut checker);
    if diagnostics.has_errors() {
        return ((diagnostics, Vec::new()), None);
    }
    let made = then(configured.as_ref());
    ((diagnostics, ports), Some(made))
}

/// Runs a stage on whole inputs, cut into slices of `slice` samples.
pub fn run(
    stage: &dyn Stage,
    text: &str,
    constants: &[Constant],
    flows: &[Flow],
    inputs: &[Samples<'_>],
    slice: usize,
) -> Result<Given, Fault> {
    let ((diagnostics, ports), work) =
        configure(stage, text, constants, flows, |c| c.prepare(flows));
    let Some(work) = work else {
        return Ok(Given {
            diagnostics,
            ports,
            ..Given::default()
        });
    };
    let mut kernel = match work? {
        Work::Stream(make) => make(),
        Work::Survey(make) => {
            let mut survey = make();
            each_slice(inputs, slice, |part| survey.look(part))?;
            survey.kernel()?
        }
        Work::Point(_) | Work::Series(_) => {
            return Err(Fault::Numeric {
                what: "test",
                why: "this stage works on values, not samples".into(),
            });
        }
    };
    let mut all: Vec<Buffer> = ports.iter().map(|p| Buffer::new(p.flow.kind)).collect();
    each_slice(inputs, slice, |part| {
        let mut outputs: Vec<Buffer> = ports.iter().map(|p| Buffer::new(p.flow.kind)).collect();
        kernel.run(part, &mut outputs)?;
        all.iter_mut()
            .zip(&outputs)
            .for_each(|(all, new)| append(all, new));
        Ok(())
    })?;
    let closing = kernel.finish()?;
    Ok(Given {
        diagnostics,
        ports,
        buffers: all,
        closing,
    })
}

/// Runs a stage that works on the values of one point.
pub fn evaluate(
    stage: &dyn Stage,
    text: &str,
    constants: &[Constant],
    flows: &[Flow],
    inputs: &[&Value],
) -> Result<(Diagnostics, Vec<Value>), Fault> {
    let ((diagnostics, _), work) = configure(stage, text, constants, flows, |c| c.prepare(flows));
    match work.transpose()? {
        Some(Work::Point(work)) => Ok((diagnostics, work(inputs)?)),
        _ => Ok((diagnostics, Vec::new())),
    }
}

/// What a stage does that works on the values of all points; `None` for other stages and after faults.
///
/// # Errors
/// Why it cannot be prepared.
pub fn series(
    stage: &dyn Stage,
    text: &str,
    constants: &[Constant],
    flows: &[Flow],
) -> Result<Option<Box<dyn Series>>, Fault> {
    let (_, work) = configure(stage, text, constants, flows, |c| c.prepare(flows));
    match work.transpose()? {
        Some(Work::Series(work)) => Ok(Some(work)),
        _ => Ok(None),
    }
}

/// Runs a stage whole and in slices of many sizes; all must give the same bits. Returns the whole run.
pub fn run_every_way(
    stage: &dyn Stage,
    text: &str,
    constants: &[Constant],
    flows: &[Flow],
    inputs: &[Samples<'_>],
) -> Result<Given, Fault> {
    let length = inputs.iter().map(Samples::len).max().unwrap_or(0).max(1);
    let whole = run(stage, text, constants, flows, inputs, length)?;
    for slice in [1, 2, 3, 7, 64, 1000] {
        let cut = run(stage, text, constants, flows, inputs, slice)?;
        let same = cut
            .buffers
            .iter()
            .zip(&whole.buffers)
            .all(|(a, b)| same_bits(a, b))
            && format!("{:?}", cut.closing) == format!("{:?}", whole.closing);
        if !same {
            let why = format!("slices of {slice} samples give other bits than the whole");
            return Err(Fault::Numeric { what: "test", why });
        }
    }
    Ok(whole)
}

fn each_slice(
    inputs: &[Samples<'_>],
    slice: usize,
    mut work: impl FnMut(&[Samples<'_>]) -> Result<(), Fault>,
) -> Result<(), Fault> {
    let length = inputs.iter().map(Samples::len).max().unwrap_or(0);
    let mut start = 0;
    while start < length {
        let end = (start + slice).min(length);
        let part: Vec<Samples<'_>> = inputs.iter().map(|s| cut(s, start, end)).collect();
        work(&part)?;
        start = end;
    }
    Ok(())
}

fn cut<'s>(samples: &Samples<'s>, start: usize, end: usize) -> Samples<'s> {
    match samples {
        Samples::Wave(s) => Samples::Wave(s.get(start..end.min(s.len())).unwrap_or(&[])),
        Samples::Clock(s) => Samples::Clock(s.get(start..end.min(s.len())).unwrap_or(&[])),
        Samples::Phasor(s) => Samples::Phasor(s.get(start..end.min(s.len())).unwrap_or(&[])),
    }
}

fn append(all: &mut Buffer, new: &Buffer) {
    match (all, new) {
        (Buffer::Wave(all), Buffer::Wave(new)) => all.extend_from_slice(new),
        (Buffer::Clock(all), Buffer::Clock(new)) => all.extend_from_slice(new),
        (Buffer::Phasor(all), Buffer::Phasor(new)) => all.extend_from_slice(new),
        _ => {}
    }
}

fn same_bits(a: &Buffer, b: &Buffer) -> bool {
    let real = |a: &[f64], b: &[f64]| {
        a.len() == b.len() && a.iter().zip(b).all(|(x, y)| x.to_bits() == y.to_bits())
    };
    match (a, b) {
        (Buffer::Wave(a), Buffer::Wave(b)) => real(a, b),
        (Buffer::Clock(a), Buffer::Clock(b)) => {
            a.len() == b.len()
                && a.iter().zip(b).all(|(x, y)| {
                    x.cycle == y.cycle && x.fraction.to_bits() == y.fraction.to_bits()
                })
        }
        (Buffer::Phasor(a), Buffer::Phasor(b)) => {
            let parts = |v: &[num_complex::Complex64]| {
                v.iter().flat_map(|z| [z.re, z.im]).collect::<Vec<f64>>()
            };
            real(&parts(a), &parts(b))
        }
        (Buffer::Value, Buffer::Value) => true,
        _ => false,
    }
}
