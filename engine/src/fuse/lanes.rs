//! Numbers that are worked on side by side, and real matrices that act on complex ones.
//!
//! Every lane is computed in the same order on every processor, so the bits are the same.

use multiversion::multiversion;
use num_complex::Complex64;

use super::weights::MOST_STATES;

/// Numbers side by side.
pub const LANES: usize = 8;

/// Complex numbers in them.
const PAIRS: usize = LANES / 2;

/// What is worked on side by side, in one line of a processor's cache.
#[derive(Clone, Copy, Debug, PartialEq)]
#[repr(align(64))]
pub struct Lanes(pub [f64; LANES]);

impl Lanes {
    /// Zeros.
    pub const ZERO: Self = Lanes([0.0; LANES]);

    /// By lane.
    #[inline(always)]
    pub fn of(lane: impl FnMut(usize) -> f64) -> Self {
        Lanes(std::array::from_fn(lane))
    }

    /// Lane by lane, the product with other ones added.
    #[inline(always)]
    pub fn plus_product(self, a: &Self, b: &Self) -> Self {
        Lanes::of(|l| self.0[l] + a.0[l] * b.0[l])
    }

    /// The sum over the lanes.
    #[inline(always)]
    pub fn across(self) -> f64 {
        let four: [f64; LANES / 2] = std::array::from_fn(|i| self.0[i] + self.0[i + LANES / 2]);
        (four[0] + four[2]) + (four[1] + four[3])
    }

    /// A complex number, over and over.
    #[inline(always)]
    fn pairs(z: Complex64) -> Self {
        Lanes::of(|l| if l % 2 == 0 { z.re } else { z.im })
    }

    /// The complex number at a place.
    #[inline(always)]
    fn pair(&self, at: usize) -> Complex64 {
        Complex64::new(self.0[2 * at], self.0[2 * at + 1])
    }

    /// Complex numbers, each multiplied by the same one.
    #[inline(always)]
    fn turned(self, z: Complex64) -> Self {
        Lanes::of(|l| match l % 2 {
            0 => self.0[l] * z.re - self.0[l + 1] * z.im,
            _ => self.0[l] * z.re + self.0[l - 1] * z.im,
        })
    }
}

/// A column of complex numbers, of which four lie side by side.
#[derive(Clone, Debug, PartialEq)]
pub struct Column {
    lanes: Vec<Lanes>,
    length: usize,
}

impl Column {
    /// So many zeros.
    pub fn zeros(length: usize) -> Self {
        Column {
            lanes: vec![Lanes::ZERO; length.div_ceil(PAIRS)],
            length,
        }
    }

    /// Makes all of them zero.
    pub fn clear(&mut self) {
        self.lanes.fill(Lanes::ZERO);
    }

    /// The numbers.
    pub fn iter(&self) -> impl Iterator<Item = Complex64> {
        (0..self.length).map(|at| self.lanes[at / PAIRS].pair(at % PAIRS))
    }

    /// Adds as many numbers.
    pub fn add(&mut self, more: &[Complex64]) {
        for (lanes, more) in self.lanes.iter_mut().zip(more.chunks(PAIRS)) {
            for (own, z) in lanes.0.chunks_exact_mut(2).zip(more) {
                own[0] += z.re;
                own[1] += z.im;
            }
        }
    }

    /// Adds the product of a matrix with it.
    pub fn step(&mut self, step: &Matrix) {
        advance(self, step, &Matrix::default(), &[], Complex64::ONE);
    }

    /// Adds the products of a matrix with it and, each of them turned, of another matrix with numbers.
    pub fn step_and(
        &mut self,
        step: &Matrix,
        into: &Matrix,
        numbers: &[Complex64],
        turn: Complex64,
    ) {
        advance(self, step, into, numbers, turn);
    }
}

/// A real matrix, by columns.
#[derive(Debug, Default)]
pub struct Matrix {
    /// Four rows of a column are a cell.
    cells: Vec<Lanes>,
}

impl Matrix {
    /// From its rows.
    pub fn new(rows: &[&[f64]]) -> Self {
        let count = rows.first().map_or(0, |row| row.len());
        let column = |column: usize| {
            let cell = move |four: &[&[f64]]| {
                Lanes::of(|l| four.get(l / 2).map_or(0.0, |row| row[column]))
            };
            rows.chunks(PAIRS).map(cell)
        };
        Matrix {
            cells: (0..count).flat_map(column).collect(),
        }
    }
}

/// `column += step·column + turn·(into·numbers)`; compiled for what the processor has, with the same bits.
#[multiversion(targets("x86_64+avx2+avx512f+avx512vl", "x86_64+avx2"))]
fn advance(
    column: &mut Column,
    step: &Matrix,
    into: &Matrix,
    numbers: &[Complex64],
    turn: Complex64,
) {
    // Most filters have no more states than lie side by side.
    if let [held] = column.lanes.as_mut_slice() {
        let (mut added, mut now) = (Lanes::ZERO, *held);
        for (weights, z) in into.cells.iter().zip(numbers) {
            added = added.plus_product(weights, &Lanes::pairs(*z));
        }
        for (at, weights) in step.cells.iter().take(PAIRS).enumerate() {
            now = now.plus_product(weights, &Lanes::pairs(held.pair(at)));
        }
        let added = added.turned(turn);
        *held = Lanes::of(|l| now.0[l] + added.0[l]);
        return;
    }
    let mut before = [Lanes::ZERO; MOST_STATES.div_ceil(PAIRS)];
    let fours = column.lanes.len();
    before[..fours].copy_from_slice(&column.lanes);
    for (four, lanes) in column.lanes.iter_mut().enumerate() {
        let mut added = Lanes::ZERO;
        let mut cell = four;
        for z in numbers {
            let Some(weights) = into.cells.get(cell) else {
                break;
            };
            added = added.plus_product(weights, &Lanes::pairs(*z));
            cell += fours;
        }
        let (mut now, mut cell) = (*lanes, four);
        for held in &before[..fours] {
            for at in 0..PAIRS {
                let Some(weights) = step.cells.get(cell) else {
                    break;
                };
                now = now.plus_product(weights, &Lanes::pairs(held.pair(at)));
                cell += fours;
            }
        }
        let added = added.turned(turn);
        *lanes = Lanes::of(|l| now.0[l] + added.0[l]);
    }
}
