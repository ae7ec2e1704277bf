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
const MOST_ROWS: usize = 14;

/// Lanes that are worked on at once, so that the sums of that many functions fit.
const HALF: usize = LANES / 2;

/// Functions side by side: even ones, and then as many odd ones or one less, which is what they come in.
#[derive(Debug)]
struct Block {
    rows: usize,
    /// Their values by half of the lanes, by distance and then by function.
    cells: [Vec<Half>; 2],
}

/// Half of the lanes.
#[derive(Clone, Copy, Debug)]
#[repr(align(32))]
struct Half([f64; HALF]);

/// Functions of the place in a window, turned with a clock or not.
#[derive(Debug)]
pub struct Bank {
    blocks: Vec<Block>,
    /// Sums over all functions.
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

/// Room for what is between samples and sums, to be used again.
#[derive(Debug)]
pub struct Room {
    /// Samples less the pedestal, turned or not.
    level: Vec<f64>,
    sums: Vec<f64>,
    /// The samples that came with an even clock, summed by lane.
    pub plain: Lanes,
    /// By shape: the sum of its products with the samples.
    pub moments: Vec<Complex64>,
}

impl Block {
    /// A block of even and odd functions.
    fn new([even, odd]: [&[Vec<f64>]; 2]) -> Self {
        let rows = || even.iter().chain(odd);
        let places = rows().next().map_or(0, Vec::len);
        let cell = |from: usize, f: &Vec<f64>| Half(std::array::from_fn(|lane| f[from + lane]));
        let cells = |half: usize| {
            let groups = (half..places).step_by(LANES);
            groups
                .flat_map(|from| rows().map(move |f| cell(from, f)))
                .collect()
        };
        Block {
            rows: rows().count(),
            cells: [cells(0), cells(HALF)],
        }
    }

    /// Sums of the products of samples with each; the samples themselves, summed by lane.
    #[inline(always)]
    fn take(&self, samples: &[f64], pedestal: f64, sums: &mut [f64]) -> Lanes {
        macro_rules! of {
            ($($rows:literal)+) => {
                match self.rows {
                    $($rows => products::<$rows>(samples, pedestal, &self.cells, sums),)+
                    _ => Lanes::ZERO,
                }
            };
        }
        of!(1 2 3 4 5 6 7 8 9 10 11 12 13 14)
    }
}

impl Bank {
    /// A bank of shapes on windows of so many places. Where a clock turns evenly, `turn(j)` is what a sample j places
    /// and a half before the middle is ahead of it; without that the shapes are real.
    pub fn new(shapes: &[Shape], turn: Option<&dyn Fn(u64) -> Complex64>) -> Self {
        // By shape: whether its real and its imaginary part are odd, and what they are.
        let mut parts: Vec<Vec<(bool, Vec<f64>)>> = Vec::new();
        let places = shapes.first().map_or(0, |s| s.values.len());
        let turns: Option<Vec<Complex64>> = turn.map(|t| (0..).take(places).map(t).collect());
        for shape in shapes {
            let Some(turns) = &turns else {
                parts.push(vec![(shape.odd, shape.values.clone())]);
                continue;
            };
            // A sample behind the middle turns the other way: f(t)·(cos - i·sin), and ±f(t)·(cos + i·sin) before it.
            let pairs = || shape.values.iter().zip(turns);
            parts.push(vec![
                (shape.odd, pairs().map(|(f, z)| f * z.re).collect()),
                (!shape.odd, pairs().map(|(f, z)| -f * z.im).collect()),
            ]);
        }
        Bank::of(&parts)
    }

    /// Lays functions out in blocks, from those that are a shape's real and imaginary part; each is marked as odd or
    /// not.
    fn of(parts: &[Vec<(bool, Vec<f64>)>]) -> Self {
        let of = |odd: bool| -> Vec<Vec<f64>> {
            let all = parts.iter().flatten().filter(|(o, _)| *o == odd);
            all.map(|(_, values)| values.clone()).collect()
        };
        let all = [of(false), of(true)];
        let sums = all[0].len() + all[1].len();
        let most = all[0].len().max(all[1].len());
        let pairs = most.div_ceil(most.div_ceil(MOST_ROWS / 2).max(1)).max(1);
        let mut blocks = Vec::new();
        // Where the sums of the even functions stand, and those of the odd ones.
        let mut at = [Vec::new(), Vec::new()];
        let mut next = 0;
        for from in (0..most).step_by(pairs) {
            let own = all.each_ref().map(|all| {
                let end = (from + pairs).min(all.len());
                &all[from.min(end)..end]
            });
            for (at, own) in at.iter_mut().zip(own) {
                at.extend(next..next + own.len());
                next += own.len();
            }
            blocks.push(Block::new(own));
        }
        let mut at = at.map(Vec::into_iter);
        let mut place = |odd: bool| at[usize::from(odd)].next().unwrap_or_default();
        let parts = parts.iter().map(|parts| match parts.as_slice() {
            [(re, _), (im, _)] => [place(*re), place(*im)],
            parts => {
                let one = parts.first().map_or(0, |(odd, _)| place(*odd));
                [one, one + sums]
            }
        });
        Bank {
            parts: parts.collect(),
            blocks,
            sums,
        }
    }

    /// Room for what a window takes.
    pub fn room(&self) -> Room {
        Room {
            level: vec![0.0; MOST_PLACES],
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

    /// Sums over all functions; the samples themselves, summed by lane.
    #[inline(always)]
    fn products(&self, samples: &[f64], pedestal: f64, mut sums: &mut [f64]) -> Lanes {
        let mut plain = Lanes::ZERO;
        for block in &self.blocks {
            let (now, later) = sums.split_at_mut(block.rows);
            plain = block.take(samples, pedestal, now);
            sums = later;
        }
        plain
    }
}

/// Sums over a window; compiled for what the processor has, with the same bits.
#[multiversion(targets("x86_64+avx2+avx512f+avx512vl", "x86_64+avx2"))]
fn sum(bank: &Bank, samples: &[f64], pedestal: f64, turned: &Turned<'_>, room: &mut Room) {
    let level = &mut room.level[..samples.len()];
    match turned {
        Turned::Evenly => {
            let plain = match bank.blocks.as_slice() {
                [] => {
                    let less = level.iter_mut().zip(samples);
                    less.for_each(|(less, x)| *less = x - pedestal);
                    by_lane(level)
                }
                _ => bank.products(samples, pedestal, &mut room.sums),
            };
            room.plain = Lanes::of(|lane| room.plain.0[lane] + plain.0[lane]);
        }
        Turned::Each(turns) => {
            for (turns, sums) in turns.iter().zip(room.sums.chunks_mut(bank.sums.max(1))) {
                let turned = level.iter_mut().zip(samples.iter().zip(*turns));
                turned.for_each(|(turned, (x, turn))| *turned = (x - pedestal) * turn);
                bank.products(level, 0.0, sums);
            }
        }
    }
}

/// Sums of the products of samples with functions that lie side by side; the samples themselves, summed by lane.
#[inline(always)]
fn products<const ROWS: usize>(
    samples: &[f64],
    pedestal: f64,
    cells: &[Vec<Half>; 2],
    out: &mut [f64],
) -> Lanes {
    let mut plain = Lanes::ZERO;
    let mut sums = [Lanes::ZERO; ROWS];
    half::<ROWS, 0>(samples, pedestal, &cells[0], &mut plain, &mut sums);
    half::<ROWS, HALF>(samples, pedestal, &cells[1], &mut plain, &mut sums);
    totals(&sums, out);
    plain
}

/// The same in half of the lanes, from one on.
#[inline(always)]
fn half<const ROWS: usize, const FROM: usize>(
    samples: &[f64],
    pedestal: f64,
    cells: &[Half],
    plain: &mut Lanes,
    sums: &mut [Lanes; ROWS],
) {
    let (before, behind) = samples.split_at(samples.len() / 2);
    let (_, before) = before.as_rchunks::<LANES>();
    let (behind, _) = behind.as_chunks::<LANES>();
    let (rows, _) = cells.as_chunks::<ROWS>();
    let twice = 2.0 * pedestal;
    let mut own = [[0.0; HALF]; ROWS];
    let mut all = [0.0; HALF];
    for ((a, b), rows) in before.iter().rev().zip(behind).zip(rows) {
        let (a, b): ([f64; HALF], [f64; HALF]) = (
            std::array::from_fn(|l| a[LANES - 1 - FROM - l]),
            std::array::from_fn(|l| b[FROM + l]),
        );
        let even: [f64; HALF] = std::array::from_fn(|l| (b[l] + a[l]) - twice);
        let odd: [f64; HALF] = std::array::from_fn(|l| b[l] - a[l]);
        all = std::array::from_fn(|l| all[l] + even[l]);
        for (row, sum) in own.iter_mut().enumerate() {
            let folded = if row < ROWS - ROWS / 2 { even } else { odd };
            *sum = std::array::from_fn(|l| sum[l] + folded[l] * rows[row].0[l]);
        }
    }
    for (sum, own) in sums.iter_mut().zip(own) {
        sum.0[FROM..FROM + HALF].copy_from_slice(&own);
    }
    plain.0[FROM..FROM + HALF].copy_from_slice(&all);
}

/// Sums over the lanes. They are taken apart from the products, or the compiler arranges these by rows.
#[inline(never)]
fn totals(sums: &[Lanes], out: &mut [f64]) {
    let out = out.iter_mut().zip(sums);
    out.for_each(|(out, sum)| *out = sum.across());
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
