//! Sums over a window of samples times many functions of the place at once.
//!
//! A function that is even about the middle of the window needs only the sums of the samples that lie as far before
//! it as behind it, an odd one only their differences: half the products. A clock that is known from the plan turns
//! evenly, so its cosine is even and its sine odd, and both become part of the functions. Turns of a clock that is
//! found in the samples are multiplied in first.
//!
//! Sums are taken in eight lanes in the order of the distance from the middle, whoever runs it.

use multiversion::multiversion;
use num_complex::Complex64;

use super::lanes::{LANES, Lanes};
use super::shapes::Shape;
use super::windows::MOST_PLACES;

/// Functions whose sums fit the processor's registers.
const MOST_ROWS: usize = 6;

/// Functions of one parity, side by side in blocks.
#[derive(Debug)]
struct Rows {
    /// How many are in a block, and their values, by distance and then by function.
    blocks: Vec<(usize, Vec<Lanes>)>,
}

/// Functions of the place in a window, turned with a clock or not.
#[derive(Debug)]
pub struct Bank {
    even: Rows,
    odd: Rows,
    /// Sums over even functions, and over all of them.
    evens: usize,
    sums: usize,
    /// By shape: the sums that are its real and imaginary part; behind the sums of the first stream of samples stand
    /// those of a second one.
    parts: Vec<[usize; 2]>,
}

/// What samples are turned with on the way into a bank.
pub enum Turned<'t> {
    /// Nothing that the bank does not know.
    Evenly,
    /// Their own cosines and sines, by place.
    Each([&'t [f64]; 2]),
}

/// What is folded of a window, from the middle on.
#[derive(Clone, Debug)]
#[repr(align(64))]
struct Half([f64; MOST_PLACES / 2]);

/// Room for what is between samples and sums, to be used again.
#[derive(Debug)]
pub struct Room {
    even: Box<Half>,
    odd: Box<Half>,
    sums: Vec<f64>,
    /// The samples that came with an even clock, summed by lane.
    pub plain: Lanes,
    /// By shape: the sum of its products with the samples.
    pub moments: Vec<Complex64>,
}

impl Rows {
    fn new(functions: &[Vec<f64>]) -> Self {
        let count = functions.len().div_ceil(MOST_ROWS).max(1);
        let width = functions.len().div_ceil(count).max(1);
        let block = |functions: &[Vec<f64>]| {
            let places = functions.first().map_or(0, Vec::len);
            let group = |from: usize, f: &Vec<f64>| Lanes::of(|lane| f[from + lane]);
            let groups = (0..places).step_by(LANES);
            let cells = groups.flat_map(|from| functions.iter().map(move |f| group(from, f)));
            (functions.len(), cells.collect())
        };
        Rows {
            blocks: functions.chunks(width).map(block).collect(),
        }
    }

    /// Sums of the products of folded samples with each.
    #[inline(always)]
    fn take(&self, folded: &Half, mut sums: &mut [f64]) {
        let (folded, _) = folded.0.as_chunks();
        for (width, cells) in &self.blocks {
            let (now, later) = sums.split_at_mut(*width);
            match width {
                1 => products::<1>(folded, cells, now),
                2 => products::<2>(folded, cells, now),
                3 => products::<3>(folded, cells, now),
                4 => products::<4>(folded, cells, now),
                5 => products::<5>(folded, cells, now),
                _ => products::<MOST_ROWS>(folded, cells, now),
            }
            sums = later;
        }
    }
}

/// Sums of the products with rows that lie side by side.
#[inline(always)]
fn products<const ROWS: usize>(folded: &[[f64; LANES]], cells: &[Lanes], out: &mut [f64]) {
    let mut sums = [Lanes::ZERO; ROWS];
    let (rows, _) = cells.as_chunks::<ROWS>();
    for (x, rows) in folded.iter().zip(rows) {
        let x = *x;
        for (sum, row) in sums.iter_mut().zip(rows) {
            *sum = Lanes::of(|lane| sum.0[lane] + x[lane] * row.0[lane]);
        }
    }
    totals(&sums, out);
}

/// Sums over the lanes. They are taken apart from the products, or the compiler arranges these by rows.
#[inline(never)]
fn totals(sums: &[Lanes], out: &mut [f64]) {
    let out = out.iter_mut().zip(sums);
    out.for_each(|(out, sum)| *out = sum.across());
}

impl Bank {
    /// A bank of shapes on windows of so many places. Where a clock turns evenly, `turn(j)` is what a sample j places
    /// and a half before the middle is ahead of it; without that the shapes are real.
    pub fn new(shapes: &[Shape], turn: Option<&dyn Fn(u64) -> Complex64>) -> Self {
        let Some(turn) = turn else {
            let of = |odd: bool| -> Vec<Vec<f64>> {
                let own = shapes.iter().filter(|s| s.odd == odd);
                own.map(|s| s.values.clone()).collect()
            };
            let (even, odd) = (of(false), of(true));
            let sums = shapes.len();
            let (mut evens, mut odds) = (0..even.len(), even.len()..sums);
            let next = |shape: &Shape| match shape.odd {
                false => evens.next(),
                true => odds.next(),
            };
            return Bank {
                parts: shapes
                    .iter()
                    .filter_map(next)
                    .map(|p| [p, p + sums])
                    .collect(),
                evens: even.len(),
                sums,
                even: Rows::new(&even),
                odd: Rows::new(&odd),
            };
        };
        // A sample behind the middle turns the other way: f(t)·(cos - i·sin), and ±f(t)·(cos + i·sin) before it.
        let turns: Vec<Complex64> = (0..)
            .take(shapes.first().map_or(0, |s| s.values.len()))
            .map(turn)
            .collect();
        let of = |shape: &Shape, sine: bool| -> Vec<f64> {
            let pairs = shape.values.iter().zip(&turns);
            pairs
                .map(|(f, z)| if sine { -f * z.im } else { f * z.re })
                .collect()
        };
        let even: Vec<_> = shapes.iter().map(|s| of(s, s.odd)).collect();
        let odd: Vec<_> = shapes.iter().map(|s| of(s, !s.odd)).collect();
        let evens = shapes.len();
        let parts = |(place, shape): (usize, &Shape)| match shape.odd {
            false => [place, evens + place],
            true => [evens + place, place],
        };
        Bank {
            parts: shapes.iter().enumerate().map(parts).collect(),
            evens,
            sums: 2 * evens,
            even: Rows::new(&even),
            odd: Rows::new(&odd),
        }
    }

    /// Room for what a window takes.
    pub fn room(&self) -> Room {
        let none = Box::new(Half([0.0; MOST_PLACES / 2]));
        Room {
            even: none.clone(),
            odd: none,
            sums: vec![0.0; 2 * self.sums],
            plain: Lanes::ZERO,
            moments: vec![Complex64::ZERO; self.parts.len()],
        }
    }

    /// The moments of the samples of a window, each less `pedestal`; with an even clock, their plain sum as well.
    pub fn take(&self, samples: &[f64], pedestal: f64, turned: &Turned<'_>, room: &mut Room) {
        sum(self, samples, pedestal, turned, room);
        for (moment, [re, im]) in room.moments.iter_mut().zip(&self.parts) {
            *moment = Complex64::new(room.sums[*re], room.sums[*im]);
        }
    }

    #[inline(always)]
    fn products(&self, stream: usize, room: &mut Room) {
        let (even, odd) = room.sums[stream * self.sums..].split_at_mut(self.evens);
        self.even.take(&room.even, even);
        self.odd.take(&room.odd, odd);
    }
}

/// Sums over a window; compiled for what the processor has, with the same bits.
#[multiversion(targets("x86_64+avx2+avx512f+avx512vl", "x86_64+avx2"))]
fn sum(bank: &Bank, samples: &[f64], pedestal: f64, turned: &Turned<'_>, room: &mut Room) {
    match turned {
        Turned::Evenly => {
            fold(samples, pedestal, room);
            let plain = by_lane(&room.even.0[..samples.len() / 2]);
            room.plain = Lanes::of(|lane| room.plain.0[lane] + plain.0[lane]);
            bank.products(0, room);
        }
        Turned::Each(turns) => {
            for (stream, turns) in turns.iter().enumerate() {
                fold_turned(samples, pedestal, turns, room);
                bank.products(stream, room);
            }
        }
    }
}

/// Sums and differences of samples as far behind the middle as before it, less a pedestal.
#[inline(always)]
fn fold(samples: &[f64], pedestal: f64, room: &mut Room) {
    let (before, behind) = samples.split_at(samples.len() / 2);
    let twice = 2.0 * pedestal;
    let folded = room.even.0.iter_mut().zip(&mut room.odd.0);
    let pairs = behind.iter().zip(before.iter().rev());
    for ((even, odd), (b, a)) in folded.zip(pairs) {
        (*even, *odd) = ((b + a) - twice, b - a);
    }
}

/// The same of samples that are multiplied by their turns before.
#[inline(always)]
fn fold_turned(samples: &[f64], pedestal: f64, turns: &[f64], room: &mut Room) {
    let (before, behind) = samples.split_at(samples.len() / 2);
    let (turns_before, turns_behind) = turns.split_at(turns.len() / 2);
    let folded = room.even.0.iter_mut().zip(&mut room.odd.0);
    let behind = behind.iter().zip(turns_behind);
    let before = before.iter().rev().zip(turns_before.iter().rev());
    for ((even, odd), ((b, tb), (a, ta))) in folded.zip(behind.zip(before)) {
        let (a, b) = ((a - pedestal) * ta, (b - pedestal) * tb);
        (*even, *odd) = (b + a, b - a);
    }
}

/// Samples, summed by lane.
#[inline(always)]
fn by_lane(samples: &[f64]) -> Lanes {
    // Four sums, so that none waits for the one before.
    let mut sums = [0.0; 4 * LANES];
    let (groups, rest) = samples.as_chunks::<{ 4 * LANES }>();
    for group in groups {
        for (sum, x) in sums.iter_mut().zip(group) {
            *sum += x;
        }
    }
    for (sum, x) in sums.iter_mut().zip(rest) {
        *sum += x;
    }
    let (sums, _) = sums.as_chunks::<LANES>();
    Lanes::of(|lane| (sums[0][lane] + sums[1][lane]) + (sums[2][lane] + sums[3][lane]))
}

/// Adds samples to their sum.
#[multiversion(targets("x86_64+avx2+avx512f+avx512vl", "x86_64+avx2"))]
pub fn plain_sum(samples: &[f64]) -> f64 {
    by_lane(samples).across()
}
