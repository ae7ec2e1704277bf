//! Values that leave the sampled world: estimates with named sources of uncertainty, and tables.
//!
//! An estimate's uncertainty is a list of parts, each the effect of one independent source of unit
//! variance (GUM, JCGM 100:2008, 5.2.2 note 1: quantities expressed through independent inputs).
//! Whatever shares a source is thereby correlated, and propagation is linear in the parts. A source may
//! have several independent components, such as the stretches of a record; they share its degrees of
//! freedom.

use std::collections::BTreeMap;
use std::fmt;
use std::sync::Arc;

use num_complex::Complex64;

#[cfg(doc)]
use crate::aspect::Aspect;
use crate::aspect::Interval;
use crate::constant::Distribution;
use crate::statistics::student_t_quantile;
use crate::units::Unit;

/// How a standard uncertainty was evaluated (JCGM 100:2008, 2.3.2 and 2.3.3).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Evaluation {
    /// Type A: from the scatter of what was measured.
    Statistical,
    /// Type B: from what is stated, as by a certificate.
    Stated,
}

impl fmt::Display for Evaluation {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Evaluation::Statistical => "A",
            Evaluation::Stated => "B",
        })
    }
}

/// Which estimates have a source of uncertainty in common.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reach {
    /// Those of one stage at one point.
    Node,
    /// Those of one point that name the source alike: what disturbed the same stretch of time.
    Point,
    /// Those of one point that are relative to one clock: its effect is a turn of them.
    Clock,
    /// All: a constant.
    Everywhere,
}

/// The quantity that is uncertain, where it has a value of its own.
#[derive(Clone, Debug, PartialEq)]
pub struct Quantified {
    /// Its value in SI units.
    pub value: f64,
    /// Its standard uncertainty in SI units.
    pub standard_uncertainty: f64,
    /// Its unit.
    pub unit: Unit,
}

/// What there is to know of a source of uncertainty.
#[derive(Clone, Debug, PartialEq)]
pub struct About {
    /// What it is, for a person; it tells sources apart.
    pub name: String,
    /// How it was evaluated.
    pub evaluation: Evaluation,
    /// Which estimates share it. The engine gives a source of a stage or point its name in full.
    pub reach: Reach,
    /// Degrees of freedom of its components together; infinite for a stated uncertainty as a rule.
    pub degrees_of_freedom: f64,
    /// How it is distributed.
    pub distribution: Distribution,
    /// The uncertain quantity; `None` for noise.
    pub quantity: Option<Quantified>,
}

/// An independent source of uncertainty, or an independent component of one.
#[derive(Clone, Debug)]
pub struct Source {
    /// What it is.
    pub about: Arc<About>,
    /// Tells apart the independent components of one source.
    pub index: u32,
}

impl PartialEq for Source {
    fn eq(&self, other: &Self) -> bool {
        self.index == other.index
            && (Arc::ptr_eq(&self.about, &other.about) || self.about.name == other.about.name)
    }
}

impl About {
    /// A constant's stated uncertainty, shared by all that use it.
    pub fn constant(name: &str, quantity: Option<Quantified>) -> Arc<Self> {
        Arc::new(About {
            name: format!("constant {name}"),
            evaluation: Evaluation::Stated,
            reach: Reach::Everywhere,
            degrees_of_freedom: f64::INFINITY,
            distribution: Distribution::Normal,
            quantity,
        })
    }

    /// Scatter of what a stage measured at one point: type A, of no quantity.
    pub fn new(name: impl Into<String>, reach: Reach, degrees_of_freedom: f64) -> Self {
        About {
            name: name.into(),
            evaluation: Evaluation::Statistical,
            reach,
            degrees_of_freedom,
            distribution: Distribution::Normal,
            quantity: None,
        }
    }

    /// As [`About::new`], to be shared.
    pub fn scatter(name: impl Into<String>, reach: Reach, degrees_of_freedom: f64) -> Arc<Self> {
        Arc::new(Self::new(name, reach, degrees_of_freedom))
    }
}

impl Part {
    /// The effect of component `index` of a source.
    pub fn new(about: &Arc<About>, index: u32, effect: impl Into<Complex64>) -> Self {
        Part {
            source: Source {
                about: about.clone(),
                index,
            },
            effect: effect.into(),
        }
    }
}

/// What one source contributes to an estimate: a line of its budget.
#[derive(Clone, Debug, PartialEq)]
pub struct Contribution {
    /// The source.
    pub about: Arc<About>,
    /// Variance of the real part, of the imaginary part, and their covariance.
    pub covariance: [f64; 3],
    /// Effect of the source's component on the estimate, where it has a single one.
    pub effect: Option<Complex64>,
}

/// The effect of one source on one estimate.
#[derive(Clone, Debug, PartialEq)]
pub struct Part {
    /// The source.
    pub source: Source,
    /// Change of the estimate when the source changes by its standard deviation.
    pub effect: Complex64,
}

impl Contribution {
    /// Variance along a direction in the plane of in-phase and quadrature part, given as a number of size 1.
    pub fn variance_along(&self, direction: Complex64) -> f64 {
        let (c, s) = (direction.re, direction.im);
        if let Some(effect) = self.effect {
            let along = c * effect.re + s * effect.im;
            return along * along;
        }
        let [rr, ii, ri] = self.covariance;
        (c * c * rr + s * s * ii + 2.0 * c * s * ri).max(0.0)
    }
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
    /// Intervals that were drawn, where those of first order fail; in the order of [`Aspect::all`].
    pub drawn: Option<Arc<[Interval]>>,
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
            drawn: None,
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

    /// What each source contributes, in the order in which they entered.
    pub fn contributions(&self) -> Vec<Contribution> {
        let mut all: Vec<Contribution> = Vec::new();
        let mut known: BTreeMap<&str, usize> = BTreeMap::new();
        for part in self.parts.iter().flatten() {
            let (re, im) = (part.effect.re, part.effect.im);
            let own = [re * re, im * im, re * im];
            match known.get(part.source.about.name.as_str()) {
                Some(&at) => {
                    let line = &mut all[at];
                    line.covariance
                        .iter_mut()
                        .zip(own)
                        .for_each(|(sum, x)| *sum += x);
                    line.effect = None;
                }
                None => {
                    known.insert(&part.source.about.name, all.len());
                    all.push(Contribution {
                        about: part.source.about.clone(),
                        covariance: own,
                        effect: Some(part.effect),
                    });
                }
            }
        }
        all
    }

    /// Standard uncertainty along a direction in the plane of in-phase and quadrature part, given as a
    /// number of size 1, and its effective degrees of freedom (Welch-Satterthwaite; JCGM 100:2008, G.4.1).
    /// Those of an uncertainty of zero are infinite.
    pub fn uncertainty_along(&self, direction: Complex64) -> Option<(f64, f64)> {
        self.parts.as_ref()?;
        let (mut variance, mut spread) = (0.0, 0.0);
        for line in self.contributions() {
            let own = line.variance_along(direction);
            variance += own;
            spread += own * own / line.about.degrees_of_freedom;
        }
        let freedom = if spread > 0.0 {
            variance * variance / spread
        } else {
            f64::INFINITY
        };
        Some((variance.sqrt(), freedom))
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
            let mut known: BTreeMap<(&str, u32), usize> = BTreeMap::new();
            for (i, input) in inputs.iter().enumerate() {
                for part in input.parts.iter().flatten() {
                    let change = effect(i, part.effect);
                    let source = (part.source.about.name.as_str(), part.source.index);
                    match known.get(&source) {
                        Some(&at) => parts[at].effect += change,
                        None => {
                            known.insert(source, parts.len());
                            parts.push(Part {
                                source: part.source.clone(),
                                effect: change,
                            });
                        }
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
            drawn: None,
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

/// Coverage factors of two-sided intervals that hold the true value with 95 % probability.
#[derive(Debug, Default)]
pub struct Coverage {
    known: BTreeMap<u64, f64>,
}

impl Coverage {
    /// The probability.
    pub const PROBABILITY: f64 = 0.95;

    /// The factor for so many degrees of freedom, from Student's t (JCGM 100:2008, G.3).
    pub fn factor(&mut self, degrees_of_freedom: f64) -> f64 {
        *self
            .known
            .entry(degrees_of_freedom.to_bits())
            .or_insert_with(|| {
                student_t_quantile(0.5 + 0.5 * Self::PROBABILITY, degrees_of_freedom)
            })
    }
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
