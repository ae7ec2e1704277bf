//! Weights of the samples of a window, as sums of functions that are even or odd about its middle.
//!
//! What a slow filter does with the samples of a window hardly changes from one to the next: a few orthogonal
//! polynomials of the place tell it, however many filters there are. They are those that are orthogonal on evenly
//! spaced places (Gram's; Abramowitz & Stegun 22.17), by their recurrence.

use super::lanes::Matrix;

/// Part of the largest weight that the even and the odd part of a sum of polynomials may be wrong by.
const TOLERANCE: f64 = 2e-14;

/// Most polynomials that weights are made of. More would cost as much as the weights themselves.
const MOST_ORDERS: usize = 12;

/// A function of the place, even or odd about the middle of a window.
#[derive(Clone, Debug, PartialEq)]
pub struct Shape {
    /// Whether it changes its sign at the middle.
    pub odd: bool,
    /// Its values behind the middle, half a place from it, one and a half, and so on.
    pub values: Vec<f64>,
}

impl Shape {
    /// The even and the odd part of weights by place.
    fn parts(weights: &[f64]) -> [Self; 2] {
        let (before, behind) = weights.split_at(weights.len() / 2);
        let pairs = || behind.iter().zip(before.iter().rev());
        [
            Shape {
                odd: false,
                values: pairs().map(|(b, a)| (b + a) / 2.0).collect(),
            },
            Shape {
                odd: true,
                values: pairs().map(|(b, a)| (b - a) / 2.0).collect(),
            },
        ]
    }

    fn times(&self, other: &Self) -> f64 {
        if self.odd != other.odd {
            return 0.0;
        }
        let products = self.values.iter().zip(&other.values).map(|(a, b)| a * b);
        2.0 * products.sum::<f64>()
    }

    fn less(&mut self, factor: f64, other: &Self) {
        if self.odd == other.odd {
            let values = self.values.iter_mut().zip(&other.values);
            values.for_each(|(own, other)| *own -= factor * other);
        }
    }

    fn largest(&self) -> f64 {
        self.values.iter().fold(0.0, |most, v| most.max(v.abs()))
    }
}

/// The first polynomials on a number of places, each at most about one.
pub fn polynomials(places: usize, orders: usize) -> Vec<Shape> {
    let half = places / 2;
    let times: Vec<f64> = (0..half).map(|j| (j as f64 + 0.5) / half as f64).collect();
    let mut all: Vec<Shape> = Vec::new();
    for order in 0..orders {
        let mut next = match all.last() {
            None => vec![1.0; half],
            Some(last) => last.values.iter().zip(&times).map(|(p, t)| p * t).collect(),
        };
        if let [.., before, _] = all.as_slice() {
            let ahead = Shape {
                odd: before.odd,
                values: next.clone(),
            };
            let factor = ahead.times(before) / before.times(before);
            let values = next.iter_mut().zip(&before.values);
            values.for_each(|(own, before)| *own -= factor * before);
        }
        let mut shape = Shape {
            odd: order % 2 == 1,
            values: next,
        };
        let largest = shape.largest();
        shape.values.iter_mut().for_each(|v| *v /= largest);
        all.push(shape);
    }
    all
}

/// Weights of a window's samples, by state.
#[derive(Debug, PartialEq)]
pub enum Entering {
    /// By state: factors of the first polynomials.
    Smooth(Vec<Vec<f64>>),
    /// By state: an even and an odd shape of its own.
    Apart(Vec<[Shape; 2]>),
}

impl Entering {
    /// From weights by state and place.
    pub fn new(weights: &[Vec<f64>]) -> Self {
        let parts: Vec<[Shape; 2]> = weights.iter().map(|w| Shape::parts(w)).collect();
        let places = weights.first().map_or(0, Vec::len);
        let largest = parts.iter().flatten().map(Shape::largest);
        let bound = TOLERANCE * largest.fold(0.0, f64::max);
        let polynomials = polynomials(places, MOST_ORDERS.min(places / 2));
        let mut rest = parts.clone();
        let mut factors = vec![Vec::new(); parts.len()];
        for polynomial in &polynomials {
            let size = polynomial.times(polynomial);
            for (parts, factors) in rest.iter_mut().zip(&mut factors) {
                let part = &mut parts[usize::from(polynomial.odd)];
                // What is left of the first factor by rounding is found in a second turn.
                let mut factor = 0.0;
                for _ in 0..2 {
                    let more = part.times(polynomial) / size;
                    part.less(more, polynomial);
                    factor += more;
                }
                factors.push(factor);
            }
            if rest.iter().flatten().all(|part| part.largest() <= bound) {
                return Entering::Smooth(factors);
            }
        }
        Entering::Apart(parts)
    }

    /// What moments of the polynomials, or of the own shapes, add to each state.
    pub fn factors(&self) -> Matrix {
        match self {
            Entering::Smooth(factors) => {
                let rows: Vec<&[f64]> = factors.iter().map(Vec::as_slice).collect();
                Matrix::new(&rows)
            }
            Entering::Apart(own) => {
                let own_shape =
                    |state: usize, shape: usize| f64::from(u8::from(shape / 2 == state));
                let row = |state| -> Vec<f64> {
                    (0..2 * own.len()).map(|s| own_shape(state, s)).collect()
                };
                let rows: Vec<Vec<f64>> = (0..own.len()).map(row).collect();
                let rows: Vec<&[f64]> = rows.iter().map(Vec::as_slice).collect();
                Matrix::new(&rows)
            }
        }
    }

    /// How many of the polynomials it takes.
    pub fn orders(&self) -> usize {
        match self {
            Entering::Smooth(factors) => factors.first().map_or(0, Vec::len),
            Entering::Apart(_) => 0,
        }
    }
}
