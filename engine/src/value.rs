//! Values that leave the sampled world: estimates with named sources of uncertainty, and tables.
//!
//! An estimate's uncertainty is a list of parts, each the effect of one independent source of unit
//! variance (GUM, JCGM 100:2008, 5.2.2 note 1: quantities expressed through independent inputs).
//! Whatever shares a source is thereby correlated, and propagation is linear in the parts.

use std::sync::Arc;

use num_complex::Complex64;

/// An independent source of uncertainty.
#[derive(Clone, Debug, PartialEq)]
pub struct Source {
    /// What it is, for a person; together with `index` it tells sources apart.
    pub name: Arc<str>,
    /// Tells apart the independent components of one source.
    pub index: u32,
    /// Degrees of freedom; infinite for a stated uncertainty.
    pub degrees_of_freedom: f64,
}

impl Source {
    /// A constant's stated uncertainty, shared by all that use it.
    pub fn constant(name: &str) -> Self {
        Source {
            name: Arc::from(format!("constant {name}")),
            index: 0,
            degrees_of_freedom: f64::INFINITY,
        }
    }
}

/// The effect of one source on one estimate.
#[derive(Clone, Debug, PartialEq)]
pub struct Part {
    /// The source.
    pub source: Source,
    /// Change of the estimate when the source changes by its standard deviation.
    pub effect: Complex64,
}

/// A real or complex value with its uncertainty. A real one has no imaginary part.
#[derive(Clone, Debug, PartialEq)]
pub struct Estimate {
    /// The value in SI units.
    pub value: Complex64,
    /// What its uncertainty is made of; `None` when it was not evaluated.
    pub parts: Option<Vec<Part>>,
    /// Standard deviation of the samples behind it, in-phase (real) and quadrature (imaginary).
    pub scatter: Option<Complex64>,
    /// Number of samples or blocks behind it.
    pub count: Option<u64>,
    /// Samples that were missing.
    pub missing: u64,
}

impl Estimate {
    /// A value without an evaluated uncertainty.
    pub fn bare(value: Complex64) -> Self {
        Estimate {
            value,
            parts: None,
            scatter: None,
            count: None,
            missing: 0,
        }
    }

    /// A real value without an evaluated uncertainty.
    pub fn real(value: f64) -> Self {
        Self::bare(Complex64::new(value, 0.0))
    }

    /// Variance of the real part, of the imaginary part, and their covariance.
    pub fn covariance(&self) -> Option<[f64; 3]> {
        let parts = self.parts.as_ref()?;
        Some(parts.iter().fold([0.0; 3], |[rr, ii, ri], p| {
            let (re, im) = (p.effect.re, p.effect.im);
            [rr + re * re, ii + im * im, ri + re * im]
        }))
    }

    /// Standard uncertainties of the real and the imaginary part.
    pub fn standard_uncertainty(&self) -> Option<Complex64> {
        self.covariance()
            .map(|[rr, ii, _]| Complex64::new(rr.sqrt(), ii.sqrt()))
    }

    /// The estimate of a function of several estimates: `value` is the function's value, and
    /// `effect(i, d)` the change of the function when input `i` changes by `d`.
    pub fn propagate(
        inputs: &[&Estimate],
        value: Complex64,
        effect: impl Fn(usize, Complex64) -> Complex64,
    ) -> Self {
        let evaluated = inputs.iter().all(|e| e.parts.is_some());
        let parts = evaluated.then(|| {
            let mut parts: Vec<Part> = Vec::new();
            for (i, input) in inputs.iter().enumerate() {
                for part in input.parts.iter().flatten() {
                    let change = effect(i, part.effect);
                    let same = |p: &&mut Part| {
                        p.source.name == part.source.name && p.source.index == part.source.index
                    };
                    match parts.iter_mut().find(same) {
                        Some(known) => known.effect += change,
                        None => parts.push(Part {
                            source: part.source.clone(),
                            effect: change,
                        }),
                    }
                }
            }
            parts
        });
        let (scatter, count) = match inputs {
            [one] => (one.scatter.map(|s| scatter_after(s, &effect)), one.count),
            _ => (None, None),
        };
        Estimate {
            value,
            parts,
            scatter,
            count,
            missing: inputs.iter().map(|e| e.missing).sum(),
        }
    }
}

/// Scatter carried through a linear change, taking the two parts as independent.
fn scatter_after(scatter: Complex64, effect: &impl Fn(usize, Complex64) -> Complex64) -> Complex64 {
    let a = effect(0, Complex64::new(scatter.re, 0.0));
    let b = effect(0, Complex64::new(0.0, scatter.im));
    Complex64::new(
        (a.re * a.re + b.re * b.re).sqrt(),
        (a.im * a.im + b.im * b.im).sqrt(),
    )
}

/// Columns of equal length: a density or a curve.
#[derive(Clone, Debug, PartialEq, Default)]
pub struct Table {
    /// Abscissa in SI units.
    pub x: Vec<f64>,
    /// Ordinate in SI units.
    pub y: Vec<f64>,
    /// Standard uncertainty of the ordinate, where known.
    pub u: Option<Vec<f64>>,
}

/// What a stage delivers at the end of a point.
#[derive(Clone, Debug, PartialEq)]
pub enum Value {
    /// A real or complex estimate.
    Estimate(Estimate),
    /// A density or a curve.
    Table(Table),
}

impl Value {
    /// The estimate; `None` for a table.
    pub fn estimate(&self) -> Option<&Estimate> {
        match self {
            Value::Estimate(e) => Some(e),
            Value::Table(_) => None,
        }
    }
}
