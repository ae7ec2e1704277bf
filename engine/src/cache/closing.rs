//! The values and remarks with which a stage ended a point, as bytes and back, bit by bit.

use std::sync::Arc;

use num_complex::Complex64;

use crate::constant::Distribution;
use crate::stage::{ClockFound, Closing, Span};
use crate::value::{About, Estimate, Evaluation, Part, Reach, Table, Value};

/// What a closing is as bytes; `None` for what no stage gives at the end of a point.
pub(super) fn to_bytes(closing: &Closing) -> Option<Vec<u8>> {
    let mut out = Out(Vec::new());
    out.list(&closing.remarks, |out, remark| {
        out.text(remark);
        Some(())
    })?;
    out.list(&closing.values, |out, value| match value {
        Value::Estimate(estimate) => {
            out.0.push(0);
            estimate_to(out, estimate)
        }
        Value::Table(table) => {
            out.0.push(1);
            out.numbers(&table.x);
            out.numbers(&table.y);
            out.option(table.u.as_ref(), |out, u| out.numbers(u));
            Some(())
        }
    })?;
    out.option(closing.span.as_ref(), |out, span| {
        out.whole(span.first);
        out.whole(span.samples);
    });
    out.0.push(u8::from(closing.clock.is_some()));
    if let Some(clock) = &closing.clock {
        out.0.push(u8::from(clock.phase.is_some()));
        if let Some(part) = &clock.phase {
            about_to(&mut out, &part.source.about)?;
            out.whole(u64::from(part.source.index));
            out.complex(part.effect);
        }
        out.option(clock.up.as_ref(), |out, (part, off)| {
            out.number(*part);
            out.number(*off);
        });
    }
    Some(out.0)
}

/// The closing that bytes stand for; `None` when they stand for none.
pub(super) fn from_bytes(bytes: &[u8]) -> Option<Closing> {
    let mut from = In(bytes);
    let remarks = from.list(In::text)?;
    let values = from.list(|from| match from.byte()? {
        0 => estimate_from(from).map(Value::Estimate),
        1 => Some(Value::Table(Table {
            x: from.list(In::number)?,
            y: from.list(In::number)?,
            u: from.option(|from| from.list(In::number))?,
        })),
        _ => None,
    })?;
    let span = from.option(|from| {
        Some(Span {
            first: from.whole()?,
            samples: from.whole()?,
        })
    })?;
    let clock = from.option(|from| {
        let phase = from.option(|from| {
            let about = Arc::new(about_from(from)?);
            let index = u32::try_from(from.whole()?).ok()?;
            Some(Part::new(&about, index, from.complex()?))
        })?;
        let up = from.option(|from| Some((from.number()?, from.number()?)))?;
        Some(ClockFound { phase, up })
    })?;
    from.0.is_empty().then_some(Closing {
        values,
        remarks,
        span,
        clock,
    })
}

fn estimate_to(out: &mut Out, estimate: &Estimate) -> Option<()> {
    if estimate.drawn.is_some() {
        return None;
    }
    out.complex(estimate.value);
    out.option(estimate.scatter.as_ref(), |out, s| out.complex(*s));
    out.option(estimate.count.as_ref(), |out, n| out.whole(*n));
    out.whole(estimate.missing);
    let Some(parts) = &estimate.parts else {
        out.0.push(0);
        return Some(());
    };
    out.0.push(1);
    // Components of one source share what there is to know of it.
    let mut known: Vec<Arc<About>> = Vec::new();
    out.list(parts, |out, part| {
        let about = &part.source.about;
        let place = known.iter().position(|k| Arc::ptr_eq(k, about));
        out.whole(place.unwrap_or(known.len()) as u64);
        if place.is_none() {
            known.push(about.clone());
            about_to(out, about)?;
        }
        out.whole(u64::from(part.source.index));
        out.complex(part.effect);
        Some(())
    })
}

fn estimate_from(from: &mut In<'_>) -> Option<Estimate> {
    let value = from.complex()?;
    let scatter = from.option(In::complex)?;
    let count = from.option(In::whole)?;
    let missing = from.whole()?;
    let mut known: Vec<Arc<About>> = Vec::new();
    let parts = from.option(|from| {
        from.list(|from| {
            let place = from.whole()? as usize;
            if place == known.len() {
                known.push(Arc::new(about_from(from)?));
            }
            let about = known.get(place)?;
            let index = u32::try_from(from.whole()?).ok()?;
            Some(Part::new(about, index, from.complex()?))
        })
    })?;
    Some(Estimate {
        value,
        parts,
        scatter,
        count,
        missing,
        drawn: None,
    })
}

/// What is uncertain for all points is a constant, and no stage's own.
fn about_to(out: &mut Out, about: &About) -> Option<()> {
    if about.quantity.is_some() {
        return None;
    }
    out.text(&about.name);
    out.0.extend([
        match about.evaluation {
            Evaluation::Statistical => 0,
            Evaluation::Stated => 1,
        },
        match about.reach {
            Reach::Node => 0,
            Reach::Point => 1,
            Reach::Everywhere => 2,
            Reach::Clock => 3,
        },
        match about.distribution {
            Distribution::Normal => 0,
            Distribution::Rectangular => 1,
            Distribution::Triangular => 2,
            Distribution::Arcsine => 3,
        },
    ]);
    out.number(about.degrees_of_freedom);
    Some(())
}

fn about_from(from: &mut In<'_>) -> Option<About> {
    Some(About {
        name: from.text()?,
        evaluation: match from.byte()? {
            0 => Evaluation::Statistical,
            1 => Evaluation::Stated,
            _ => return None,
        },
        reach: match from.byte()? {
            0 => Reach::Node,
            1 => Reach::Point,
            2 => Reach::Everywhere,
            3 => Reach::Clock,
            _ => return None,
        },
        distribution: match from.byte()? {
            0 => Distribution::Normal,
            1 => Distribution::Rectangular,
            2 => Distribution::Triangular,
            3 => Distribution::Arcsine,
            _ => return None,
        },
        degrees_of_freedom: from.number()?,
        quantity: None,
    })
}

struct Out(Vec<u8>);

impl Out {
    fn whole(&mut self, n: u64) {
        self.0.extend(n.to_le_bytes());
    }
    fn number(&mut self, x: f64) {
        self.whole(x.to_bits());
    }
    fn complex(&mut self, z: Complex64) {
        self.number(z.re);
        self.number(z.im);
    }
    fn text(&mut self, text: &str) {
        self.whole(text.len() as u64);
        self.0.extend(text.as_bytes());
    }
    fn numbers(&mut self, all: &[f64]) {
        self.whole(all.len() as u64);
        all.iter().for_each(|x| self.number(*x));
    }
    fn option<T>(&mut self, value: Option<&T>, write: impl FnOnce(&mut Self, &T)) {
        self.0.push(u8::from(value.is_some()));
        if let Some(value) = value {
            write(self, value);
        }
    }
    fn list<T>(
        &mut self,
        all: &[T],
        mut write: impl FnMut(&mut Self, &T) -> Option<()>,
    ) -> Option<()> {
        self.whole(all.len() as u64);
        all.iter().try_for_each(|item| write(self, item))
    }
}

struct In<'b>(&'b [u8]);

impl In<'_> {
    fn byte(&mut self) -> Option<u8> {
        let (first, rest) = self.0.split_first()?;
        self.0 = rest;
        Some(*first)
    }
    fn whole(&mut self) -> Option<u64> {
        let (first, rest) = self.0.split_first_chunk::<8>()?;
        self.0 = rest;
        Some(u64::from_le_bytes(*first))
    }
    fn number(&mut self) -> Option<f64> {
        self.whole().map(f64::from_bits)
    }
    fn complex(&mut self) -> Option<Complex64> {
        Some(Complex64::new(self.number()?, self.number()?))
    }
    fn text(&mut self) -> Option<String> {
        let length = usize::try_from(self.whole()?).ok()?;
        let (text, rest) = self.0.split_at_checked(length)?;
        self.0 = rest;
        String::from_utf8(text.to_vec()).ok()
    }
    fn option<T>(&mut self, read: impl FnOnce(&mut Self) -> Option<T>) -> Option<Option<T>> {
        match self.byte()? {
            0 => Some(None),
            1 => read(self).map(Some),
            _ => None,
        }
    }
    fn list<T>(&mut self, mut read: impl FnMut(&mut Self) -> Option<T>) -> Option<Vec<T>> {
        let count = self.whole()?;
        // Every item takes a byte at least, so that no count asks for more memory than there are bytes.
        (count <= self.0.len() as u64).then_some(())?;
        (0..count).map(|_| read(self)).collect()
    }
}
