//! What the impulse response of a cascade sums up to, without following it: sums over powers of its step double their
//! length with every step.

use twofloat::TwoFloat;

use super::weights::{Square, Weights, applied, dot, product, together, zero};

/// Doublings after which any sum has ended.
const DOUBLINGS: u32 = 64;

/// Powers of a matrix M that were summed up.
struct Series {
    /// How many.
    count: u64,
    /// G(n): the sum of M^k over k from 0 to n - 1.
    sum: Square,
    /// The sum of G(k) over k from 1 to n - 1.
    sums: Square,
    /// M^n, less one.
    power: Square,
}

impl Series {
    /// The first `count` powers of a matrix that is given less one.
    fn new(step: &Square, count: u64) -> Self {
        let nothing = vec![vec![zero(); step.len()]; step.len()];
        let mut series = Series {
            count: 0,
            sum: nothing.clone(),
            sums: nothing.clone(),
            power: nothing,
        };
        for bit in (0..u64::BITS - count.leading_zeros()).rev() {
            series.double();
            if count >> bit & 1 == 1 {
                series.extend(step);
            }
        }
        series
    }

    /// Twice as many: what comes behind is what was, times M^n.
    fn double(&mut self) {
        let n = TwoFloat::from(self.count as f64);
        let (behind, later) = (
            product(&self.power, &self.sum),
            product(&self.power, &self.sums),
        );
        each(&mut self.sums, &later, |sum, more| sum + sum + more);
        each(&mut self.sums, &self.sum, |sum, g| sum + n * g);
        each(&mut self.sum, &behind, |sum, more| sum + sum + more);
        self.power = together(&self.power, &self.power);
        self.count *= 2;
    }

    /// One more.
    fn extend(&mut self, step: &Square) {
        each(&mut self.sums, &self.sum, |sum, g| sum + g);
        each(&mut self.sum, &self.power, |sum, p| sum + p);
        for (i, row) in self.sum.iter_mut().enumerate() {
            row[i] += TwoFloat::from(1.0);
        }
        self.power = together(&self.power, step);
        self.count += 1;
    }
}

/// Changes every cell of a matrix by that of another.
fn each(to: &mut Square, by: &Square, change: impl Fn(TwoFloat, TwoFloat) -> TwoFloat) {
    let rows = to.iter_mut().zip(by);
    rows.flat_map(|(to, by)| to.iter_mut().zip(by))
        .for_each(|(to, by)| *to = change(*to, *by));
}

/// A row times a matrix.
fn through(row: &[TwoFloat], matrix: &Square) -> Vec<TwoFloat> {
    let column = |c: usize| {
        let products = row.iter().zip(matrix).map(|(x, row)| *x * row[c]);
        products.fold(zero(), |sum, p| sum + p)
    };
    (0..row.len()).map(column).collect()
}

fn plus(a: &[TwoFloat], b: &[TwoFloat]) -> Vec<TwoFloat> {
    a.iter().zip(b).map(|(a, b)| *a + *b).collect()
}

fn flat(matrix: &Square) -> Vec<f64> {
    matrix.iter().flatten().map(|x| f64::from(*x)).collect()
}

fn rounded(vector: &[TwoFloat]) -> Vec<f64> {
    vector.iter().map(|x| f64::from(*x)).collect()
}

/// `s + M·s + M²·s + ...` to the end, for a matrix that is given less one.
pub(super) fn to_the_end(step: &Square, start: &[TwoFloat]) -> Vec<TwoFloat> {
    // The sum doubles its length: s(2n) = s(n) + M^n·s(n).
    let (mut sum, mut power) = (start.to_vec(), step.clone());
    for _ in 0..DOUBLINGS {
        let twice = plus(&plus(&sum, &sum), &applied(&power, &sum));
        if twice == sum {
            break;
        }
        sum = twice;
        power = together(&power, &power);
    }
    sum
}

impl Weights {
    fn outputs(&self) -> Vec<TwoFloat> {
        self.out.iter().map(|c| TwoFloat::from(*c)).collect()
    }

    /// The impulse response, summed over each of so many blocks of so many samples.
    pub fn by_block(&self, block: u64, blocks: usize) -> Vec<f64> {
        let (out, direct) = (self.outputs(), TwoFloat::from(self.direct));
        // The sample of the impulse itself has the direct part alone.
        let first = Series::new(&self.one, block - 1);
        let start = through(&out, &first.sum);
        let mut sums = vec![f64::from(direct + dot(&start, &self.into))];
        let row = rounded(&plus(&start, &plus(&out, &through(&out, &first.power))));
        let step = flat(&together(&first.power, &self.one));
        let moved = applied(&first.power, &self.into);
        let mut state = rounded(&plus(&self.into, &moved));
        while sums.len() < blocks {
            sums.push(row.iter().zip(&state).map(|(c, w)| c * w).sum());
            Weights::pass(&step, &mut state);
        }
        sums
    }

    /// The sums over every n-th sample of the impulse response, from each of the first n on.
    pub fn by_phase(&self, every: u64) -> Vec<f64> {
        let over = Series::new(&self.one, every);
        let all = to_the_end(&over.power, &self.into);
        let (one, mut state) = (flat(&self.one), rounded(&all));
        let mut answer = || -> f64 {
            let answer = self.out.iter().zip(&state).map(|(c, w)| c * w).sum();
            Weights::pass(&one, &mut state);
            answer
        };
        let mut sums: Vec<f64> = (0..every).map(|_| answer()).collect();
        // The last of these begins a whole turn behind the impulse itself.
        sums.rotate_right(1);
        if let Some(first) = sums.first_mut() {
            *first += self.direct;
        }
        sums
    }

    /// The sum of the impulse response, and that of the squares of its means over `n` samples that lie `apart` samples
    /// from each other.
    pub fn sum_and_squares(&self, n: u64, apart: u64) -> (f64, f64) {
        let (out, direct) = (self.outputs(), TwoFloat::from(self.direct));
        let sum = direct + dot(&out, &to_the_end(&self.one, &self.into));
        let spread = applied(&self.gramian(), &out);
        let variance = direct * direct + dot(&out, &spread);
        // The autocorrelation is C·A^(k - 1)·v at k, and k times `apart` enters n - k times.
        let moved = applied(&self.one, &spread);
        let v: Vec<TwoFloat> = plus(&spread, &moved);
        let v = plus(
            &v,
            &self.into.iter().map(|b| *b * direct).collect::<Vec<_>>(),
        );
        let before = Series::new(&self.one, apart - 1).power;
        let row = plus(&out, &through(&out, &before));
        let means = Series::new(&together(&before, &self.one), n);
        let others = dot(&row, &applied(&means.sums, &v));
        let n = TwoFloat::from(n as f64);
        let squares = (n * variance + others + others) / (n * n);
        (f64::from(sum), f64::from(squares))
    }

    /// The sum of `A^k·B·B'·A'^k` over all k.
    fn gramian(&self) -> Square {
        let row = |b: &TwoFloat| self.into.iter().map(|c| *b * *c).collect();
        let mut sum: Square = self.into.iter().map(row).collect();
        let mut power = self.one.clone();
        for _ in 0..DOUBLINGS {
            let mut moved = product(&power, &sum);
            each(&mut moved, &sum, |more, sum| more + sum);
            let across: Square = moved.iter().map(|row| applied(&power, row)).collect();
            let mut twice = sum.clone();
            each(&mut twice, &moved, |sum, more| sum + more);
            each(&mut twice, &across, |sum, more| sum + more);
            if twice == sum {
                break;
            }
            sum = twice;
            power = together(&power, &power);
        }
        sum
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The impulse response, section by section and sample by sample.
    fn followed(sections: &[[f64; 5]], samples: usize) -> Vec<f64> {
        let mut states = vec![[0.0; 2]; sections.len()];
        let step = |n: usize| {
            let x = if n == 0 { 1.0 } else { 0.0 };
            sections
                .iter()
                .zip(&mut states)
                .fold(x, |x, ([b0, b1, b2, a1, a2], s)| {
                    let y = b0 * x + s[0];
                    *s = [b1 * x - a1 * y + s[1], b2 * x - a2 * y];
                    y
                })
        };
        (0..samples).map(step).collect()
    }

    /// Real, complex and double poles with a radius of at most 0.9: of 2000 samples nothing is left (0.9^2000 < 1e-90), and
    /// rounding of sums of 2000 terms of size one at most, each computed from those before with a memory of some 30 samples,
    /// stays below 2000·30·2^-53 < 1e-11.
    #[test]
    fn sums_are_those_of_the_response_that_is_followed() {
        let pole = |a: f64| [0.3, 0.1, 0.0, -a, 0.0];
        let chains = [
            vec![pole(0.9)],
            vec![pole(0.8), pole(0.8), [0.2, 0.1, 0.05, -1.2, 0.7]],
            vec![[0.5, -1.0, 0.5, -1.7, 0.7225], pole(-0.5)],
        ];
        let near =
            |found: f64, exact: f64| assert!((found - exact).abs() < 1e-11, "{found} {exact}");
        for sections in chains {
            let weights = Weights::new(&sections).expect("short");
            let h = followed(&sections, 2000);
            for block in [1, 2, 7, 64] {
                let found = weights.by_block(block as u64, 2000 / block);
                assert_eq!(found.len(), 2000 / block);
                let blocks = h.chunks(block).map(|b| b.iter().sum());
                found.iter().zip(blocks).for_each(|(f, b)| near(*f, b));
                let found = weights.by_phase(block as u64);
                assert_eq!(found.len(), block);
                for (phase, found) in found.iter().enumerate() {
                    near(*found, h[phase..].iter().step_by(block).sum());
                }
            }
            for (n, apart) in [(1, 1), (1, 5), (2, 1), (3, 4), (13, 7), (100, 3)] {
                let (sum, squares) = weights.sum_and_squares(n as u64, apart as u64);
                near(sum, h.iter().sum());
                let mean = |t: usize| {
                    let times = (0..n).filter_map(|k| t.checked_sub(k * apart));
                    times.filter_map(|t| h.get(t)).sum::<f64>() / n as f64
                };
                near(
                    squares,
                    (0..2000 + n * apart).map(|t| mean(t) * mean(t)).sum(),
                );
            }
        }
    }
}
