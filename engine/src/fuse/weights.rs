//! A cascade of second-order sections in the form in which blocks of samples pass it: how its state moves over
//! a block, and the weights with which the samples of the block enter it.
//!
//! Each section is realised so that a constant input of one gives a state of about one, and its matrix is
//! `[[s, t], [(s² - p)/t, s]]` for a denominator `z² - 2sz + p`: near a double pole at one this stays as well
//! conditioned as a rotation does for a resonance. What is nearly one is kept as its difference from one. All of
//! it is computed in double-double numbers, so that rounding happens once, when a weight is made a double.

use twofloat::TwoFloat;

use super::series::to_the_end;

/// Most states of a chain; a longer one runs stage by stage.
pub(super) const MOST_STATES: usize = 32;

/// A square matrix by rows.
pub(super) type Square = Vec<Vec<TwoFloat>>;

/// How a cascade's state moves and what it answers.
#[derive(Debug)]
pub struct Weights {
    /// Numbers in the state.
    pub states: usize,
    /// What a sample adds to each state at its own end: `B`.
    pub(super) into: Vec<TwoFloat>,
    /// What a state adds to the output before the next sample: `C`.
    pub out: Vec<f64>,
    /// What the next sample adds to its own output.
    pub direct: f64,
    /// One step of the state, less the state itself.
    pub(super) one: Square,
}

/// A section's realisation: `w' = A·w + B·x`, `y = C·w + D·x`; of `A` the difference from one.
struct Realised {
    less_one: Square,
    into: Vec<TwoFloat>,
    out: Vec<TwoFloat>,
    direct: TwoFloat,
}

pub(super) fn zero() -> TwoFloat {
    TwoFloat::from(0.0)
}

impl Realised {
    fn new([b0, b1, b2, a1, a2]: [f64; 5]) -> Self {
        let [b0, b1, b2, a1, a2] = [b0, b1, b2, a1, a2].map(TwoFloat::from);
        let one = TwoFloat::from(1.0);
        // What is left of the numerator when the direct part is taken out.
        let (c1, c2) = (b1 - a1 * b0, b2 - a2 * b0);
        if a2 == zero() && c2 == zero() {
            let gap = one + a1;
            return Realised {
                less_one: vec![vec![-gap]],
                into: vec![gap],
                out: vec![c1 / gap],
                direct: b0,
            };
        }
        let half = TwoFloat::from(0.5);
        let middle = -(a1 * half);
        let gap = one - middle;
        let spread = middle * middle - a2;
        let width = spread.abs().sqrt();
        let across = if width > gap { width } else { gap };
        let at_rest = one + a1 + a2;
        Realised {
            less_one: vec![vec![-gap, across], vec![spread / across, -gap]],
            into: vec![zero(), at_rest / across],
            out: vec![(c2 + c1 * middle) / at_rest, c1 * across / at_rest],
            direct: b0,
        }
    }

    fn states(&self) -> usize {
        self.into.len()
    }
}

/// One step of all sections: what is added to `state`, and the output.
fn step(sections: &[Realised], state: &[TwoFloat], x: TwoFloat) -> (Vec<TwoFloat>, TwoFloat) {
    let (mut added, mut x, mut from) = (Vec::new(), x, 0);
    for section in sections {
        let own = &state[from..from + section.states()];
        from += section.states();
        let moved = section.less_one.iter().zip(&section.into);
        added.extend(moved.map(|(row, b)| dot(row, own) + *b * x));
        x = dot(&section.out, own) + section.direct * x;
    }
    (added, x)
}

pub(super) fn product(a: &Square, b: &Square) -> Square {
    let cell = |row: &Vec<TwoFloat>, column: usize| {
        let products = row.iter().zip(b).map(|(x, row)| *x * row[column]);
        products.fold(zero(), |sum, p| sum + p)
    };
    let columns = 0..b.len();
    a.iter()
        .map(|row| columns.clone().map(|c| cell(row, c)).collect())
        .collect()
}

/// The difference from one of a product, from those of its factors: `(P+1)(Q+1) - 1 = PQ + P + Q`.
pub(super) fn together(p: &Square, q: &Square) -> Square {
    let mut sum = product(p, q);
    for (row, (p, q)) in sum.iter_mut().zip(p.iter().zip(q)) {
        for (cell, (p, q)) in row.iter_mut().zip(p.iter().zip(q)) {
            *cell = *cell + *p + *q;
        }
    }
    sum
}

pub(super) fn dot(a: &[TwoFloat], b: &[TwoFloat]) -> TwoFloat {
    let products = a.iter().zip(b).map(|(a, b)| *a * *b);
    products.fold(zero(), |sum, p| sum + p)
}

pub(super) fn applied(matrix: &Square, vector: &[TwoFloat]) -> Vec<TwoFloat> {
    matrix.iter().map(|row| dot(row, vector)).collect()
}

impl Weights {
    /// Those of a cascade of sections `[b0, b1, b2, a1, a2]`; `None` for one that is too long.
    pub fn new(sections: &[[f64; 5]]) -> Option<Self> {
        let sections: Vec<Realised> = sections.iter().map(|s| Realised::new(*s)).collect();
        let states: usize = sections.iter().map(Realised::states).sum();
        if states > MOST_STATES {
            return None;
        }
        let nothing = vec![zero(); states];
        let unit = |i: usize| {
            let mut unit = nothing.clone();
            unit[i] = TwoFloat::from(1.0);
            unit
        };
        let columns: Vec<_> = (0..states)
            .map(|i| step(&sections, &unit(i), zero()))
            .collect();
        let one: Square = (0..states)
            .map(|row| columns.iter().map(|(added, _)| added[row]).collect())
            .collect();
        let (into, direct) = step(&sections, &nothing, TwoFloat::from(1.0));
        Some(Weights {
            states,
            into,
            out: columns.iter().map(|(_, y)| f64::from(*y)).collect(),
            direct: f64::from(direct),
            one,
        })
    }

    /// By state and by the place of a sample in a block: what it adds to the state at the end of the block.
    pub fn by_place(&self, places: usize) -> Vec<Vec<f64>> {
        let mut weights = vec![vec![0.0; places]; self.states];
        let mut now = self.into.clone();
        for place in (0..places).rev() {
            for (weights, w) in weights.iter_mut().zip(&now) {
                weights[place] = f64::from(*w);
            }
            let moved = applied(&self.one, &now);
            now.iter_mut().zip(&moved).for_each(|(w, d)| *w += *d);
        }
        weights
    }

    /// The state at which a constant input of one ends.
    pub fn end(&self) -> Vec<f64> {
        let end = to_the_end(&self.one, &self.into);
        end.into_iter().map(f64::from).collect()
    }

    /// Moves a state by a step that [`Weights::power`] gives.
    pub fn pass(step: &[f64], state: &mut [f64]) {
        let mut added = [0.0; MOST_STATES];
        for (added, row) in added.iter_mut().zip(step.chunks_exact(state.len())) {
            for (weight, w) in row.iter().zip(&*state) {
                *added += weight * w;
            }
        }
        state.iter_mut().zip(added).for_each(|(w, d)| *w += d);
    }

    /// The step over any number of samples, less the state itself.
    pub fn power(&self, samples: u64) -> Vec<f64> {
        let mut power: Square = vec![vec![zero(); self.states]; self.states];
        for bit in (0..u64::BITS - samples.leading_zeros()).rev() {
            power = together(&power, &power);
            if samples >> bit & 1 == 1 {
                power = together(&power, &self.one);
            }
        }
        power.into_iter().flatten().map(f64::from).collect()
    }
}
