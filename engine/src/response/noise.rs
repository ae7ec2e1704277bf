//! Equivalent noise bandwidth, exactly: from the impulse response of the whole chain.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, PoisonError};

use super::Element;
use super::frequency::Window;
use super::known::Known;
use super::settling::memory;
use crate::fuse::Weights;

/// Longest impulse response that is followed, in samples at the chain's input.
const LONGEST: f64 = (1u64 << 27) as f64;

/// Part of a step that may be left when the impulse response is cut off.
const REST: f64 = 1e-9;

/// One-sided equivalent noise bandwidth in Hz of a chain whose input comes at `rate`: the band in which
/// white noise up to half the rate has the variance that the chain lets through, at the chain's gain at
/// zero frequency; rate·Σh²/(2·(Σh)²) (Harris 1978, eq. 9, one-sided). What decimation folds is in it.
///
/// `None` when the chain has no gain at zero frequency, or would have to be followed for more than 2^27
/// samples.
pub(super) fn noise_bandwidth(elements: &[Element], rate: f64) -> Option<f64> {
    static KNOWN: Known<Option<(f64, f64)>> = Known::new();
    let (sum, squares) = KNOWN.get(elements, REST, || impulse_sums(elements))?;
    let bandwidth = rate * squares / (2.0 * sum * sum);
    // A gain at zero frequency that is only rounding would give a bandwidth beyond any that the rate has
    // room for; a narrow peak elsewhere may lawfully exceed half the rate.
    (bandwidth.is_finite() && bandwidth < 1e9 * rate).then_some(bandwidth)
}

/// Σh and Σh² of the impulse response at the rate of the input.
fn impulse_sums(elements: &[Element]) -> Option<(f64, f64)> {
    let impulse = Impulse::new(elements, REST)?;
    let (n, stride) = impulse.average;
    if let Some(cascade) = impulse.cascade() {
        return Some(cascade.sum_and_squares(n, stride as u64));
    }
    if n == 1 {
        let mut sums = (0.0, 0.0);
        impulse.follow(|response| {
            for h in response {
                sums = (sums.0 + h, sums.1 + h * h);
            }
        });
        return Some(sums);
    }
    let mut averaging = Averaging::new(n, stride, impulse.total)?;
    impulse.follow(|response| averaging.push(response));
    Some(averaging.sums())
}

/// The impulse response of a chain at the rate of its input, without the average at its end. An element
/// behind "keep every n-th" acts on every n-th sample of it (noble identity; Vaidyanathan, Multirate
/// Systems and Filter Banks, 4.2).
pub(super) struct Impulse<'e> {
    /// The response of the taps.
    input: Vec<f64>,
    states: Vec<State<'e>>,
    /// Samples of the average at the end, and their distance.
    average: (u64, usize),
    total: usize,
    /// What it is the response of.
    of: Vec<Element>,
}

/// Longest response that is held for whoever asks next.
const HELD: usize = 1 << 20;

/// The responses that were followed last: a check asks for the same one several times.
static LAST: Mutex<VecDeque<Held>> = Mutex::new(VecDeque::new());

/// A response, by its elements and length.
type Held = (Vec<Element>, usize, Arc<Vec<f64>>);

/// What an impulse response sums up to.
pub(super) struct Summed {
    /// Samples in a stretch.
    pub length: usize,
    /// Sums over stretches, one after the other.
    pub stretches: Vec<f64>,
    /// Sums over every n-th sample, from each of the first n on.
    pub phases: Vec<f64>,
}

impl<'e> Impulse<'e> {
    /// Cut off where `rest` of a step may be left; `None` when that takes too long.
    pub(super) fn new(elements: &'e [Element], rest: f64) -> Option<Self> {
        let mut input = vec![1.0];
        let mut states = Vec::new();
        let mut average = (1u64, 1usize);
        let mut length = 0.0;
        let mut every = 1u64;
        for element in elements {
            if (every as f64) > LONGEST {
                return None;
            }
            let stride = every as usize;
            match element {
                Element::KeepEvery(n) => every = every.saturating_mul(*n),
                Element::Mixed | Element::Periods { samples: None, .. } => {}
                Element::Average(n, _) => average = (*n, stride),
                Element::Taps(taps, _) => input = spread(&input, taps, stride)?,
                Element::Periods {
                    samples: Some(samples),
                    ..
                } => {
                    let window = Window::new(*samples);
                    length += (window.whole + 2) as f64 * stride as f64;
                    if length > LONGEST {
                        return None;
                    }
                    states.push(State::Mean(Mean::new(&window, stride)));
                }
                Element::Sections(sections, _) => {
                    length += memory(element, rest)? * stride as f64;
                    states.push(State::Sections {
                        sections,
                        memory: vec![[0.0; 2]; sections.len() * stride],
                        phase: 0,
                        stride,
                    });
                }
            }
        }
        let total = length + input.len() as f64;
        let acts = |e: &&Element| !matches!(e, Element::Mixed | Element::Average(..));
        let mut of: Vec<Element> = elements.iter().filter(acts).cloned().collect();
        while let Some(Element::KeepEvery(_)) = of.last() {
            of.pop();
        }
        (total <= LONGEST).then(|| Impulse {
            of,
            input,
            states,
            average,
            total: total.ceil() as usize,
        })
    }

    /// The chain, where it has nothing but sections.
    fn cascade(&self) -> Option<Weights> {
        match self.of.as_slice() {
            [Element::Sections(sections, _)] => Weights::new(sections),
            _ => None,
        }
    }

    /// Sums over stretches of equal length, of which there are no more than `most`, and over every so many samples.
    pub(super) fn summed(self, most: usize, every: usize) -> Summed {
        let length = self.total.div_ceil(most).max(1);
        let count = self.total.div_ceil(length);
        if let Some(cascade) = self.cascade() {
            return Summed {
                length,
                stretches: cascade.by_block(length as u64, count),
                phases: cascade.by_phase(every as u64),
            };
        }
        let mut stretches = vec![0.0; count];
        let mut phases = vec![0.0; every];
        let (mut place, mut taken, mut phase) = (0, 0, 0);
        self.follow(|response| {
            for h in response {
                stretches[place] += h;
                phases[phase] += h;
                (phase, taken) = (phase + 1, taken + 1);
                if phase == phases.len() {
                    phase = 0;
                }
                if taken == length {
                    (taken, place) = (0, place + 1);
                }
            }
        });
        Summed {
            length,
            stretches,
            phases,
        }
    }

    /// Gives all samples of the response, in order, some at a time.
    pub(super) fn follow(mut self, mut each: impl FnMut(&[f64])) {
        if self.total > HELD {
            (0..self.total).for_each(|m| each(&[self.next(m)]));
            return;
        }
        let held = || LAST.lock().unwrap_or_else(PoisonError::into_inner);
        // A longer one begins in the same way.
        let is_this = |(of, total, _): &&Held| *total >= self.total && *of == self.of;
        let known = held().iter().find(is_this).map(|(.., all)| all.clone());
        let all = known.unwrap_or_else(|| {
            let all: Arc<Vec<f64>> = Arc::new((0..self.total).map(|m| self.next(m)).collect());
            let mut held = held();
            held.truncate(1);
            held.push_front((std::mem::take(&mut self.of), self.total, all.clone()));
            all
        });
        each(&all[..self.total]);
    }

    fn next(&mut self, m: usize) -> f64 {
        let x = self.input.get(m).copied().unwrap_or(0.0);
        self.states.iter_mut().fold(x, |x, state| state.step(x))
    }
}

/// The convolution of `input` with taps `stride` samples apart.
fn spread(input: &[f64], taps: &[f64], stride: usize) -> Option<Vec<f64>> {
    let length = input.len() as f64 + (taps.len() as f64) * stride as f64;
    if length > LONGEST || input.len() as f64 * taps.len() as f64 > 64.0 * LONGEST {
        return None;
    }
    let mut out = vec![0.0; input.len() + taps.len().saturating_sub(1) * stride];
    for (k, tap) in taps.iter().enumerate() {
        for (y, x) in out[k * stride..].iter_mut().zip(input) {
            *y += tap * x;
        }
    }
    Some(out)
}

/// An element that acts on samples `stride` apart.
enum State<'e> {
    Sections {
        sections: &'e [[f64; 5]],
        memory: Vec<[f64; 2]>,
        phase: usize,
        stride: usize,
    },
    Mean(Mean),
}

impl State<'_> {
    fn step(&mut self, x: f64) -> f64 {
        match self {
            State::Sections {
                sections,
                memory,
                phase,
                stride,
            } => {
                let own = &mut memory[*phase * sections.len()..];
                *phase = (*phase + 1) % *stride;
                sections
                    .iter()
                    .zip(own)
                    .fold(x, |x, ([b0, b1, b2, a1, a2], s)| {
                        let y = b0 * x + s[0];
                        s[0] = b1 * x - a1 * y + s[1];
                        s[1] = b2 * x - a2 * y;
                        y
                    })
            }
            State::Mean(mean) => mean.step(x),
        }
    }
}

/// A running mean over a window, in samples `stride` apart.
struct Mean {
    window: Window,
    stride: usize,
    /// The last samples, a ring.
    past: Vec<f64>,
    /// For each phase of the stride, the sum of the samples with tap one.
    sums: Vec<f64>,
    next: usize,
}

impl Mean {
    fn new(window: &Window, stride: usize) -> Self {
        Mean {
            past: vec![0.0; (window.whole as usize + 2) * stride],
            sums: vec![0.0; stride],
            stride,
            next: 0,
            window: Window::new(window.samples),
        }
    }

    fn step(&mut self, x: f64) -> f64 {
        let (length, whole) = (self.past.len(), self.window.whole as usize);
        let at = self.next % length;
        self.past[at] = x;
        let back = |k: usize| self.past[(at + length - k * self.stride) % length];
        let sum = &mut self.sums[self.next % self.stride];
        let inner = if whole > 1 {
            *sum += back(1) - back(whole);
            *sum
        } else {
            0.0
        };
        self.next += 1;
        let [a, b] = self.window.last;
        (0.5 * x + inner + a * back(whole) + b * back(whole + 1)) / self.window.samples
    }
}

/// Sums the impulse response behind a final mean over `n` samples `stride` apart, without following it:
/// it climbs as the running sum c of what comes in, stays, and falls as the end value less c.
struct Averaging {
    n: u64,
    /// c, Σc and Σc² for each phase of the stride.
    phases: Vec<[f64; 3]>,
    /// The impulse response itself, for a mean that is shorter.
    short: Option<Short>,
    next: usize,
}

/// A plain running mean that is shorter than what it averages.
struct Short {
    past: Vec<f64>,
    sums: [f64; 2],
}

impl Short {
    /// Takes samples, of which the first is the `at`-th, into the means of their phases.
    fn push(&mut self, phases: &mut [[f64; 3]], samples: &[f64], at: usize, n: u64) {
        for ((phase, x), at) in phases.iter_mut().zip(samples).zip(at..) {
            let length = self.past.len();
            let old = std::mem::replace(&mut self.past[at % length], *x);
            phase[0] = phase[0] + x - old;
            let mean = phase[0] / n as f64;
            self.sums[0] += x;
            self.sums[1] += mean * mean;
        }
    }
}

impl Averaging {
    fn new(n: u64, stride: usize, total: usize) -> Option<Self> {
        let span = n as f64 * stride as f64;
        let short = span < (total + stride) as f64;
        Some(Averaging {
            n,
            phases: vec![[0.0; 3]; stride],
            short: short.then(|| Short {
                past: vec![0.0; span as usize],
                sums: [0.0; 2],
            }),
            next: 0,
        })
    }

    fn push(&mut self, mut response: &[f64]) {
        while !response.is_empty() {
            let at = self.next % self.phases.len();
            let phases = &mut self.phases[at..];
            let (now, later) = response.split_at(response.len().min(phases.len()));
            match &mut self.short {
                Some(short) => short.push(phases, now, self.next, self.n),
                None => {
                    for (phase, x) in phases.iter_mut().zip(now) {
                        phase[0] += x;
                        phase[1] += phase[0];
                        phase[2] += phase[0] * phase[0];
                    }
                }
            }
            self.next += now.len();
            response = later;
        }
    }

    fn sums(mut self) -> (f64, f64) {
        let n = self.n as f64;
        if let Some(short) = &self.short {
            let (sum, span) = (short.sums[0], short.past.len());
            self.push(&vec![0.0; span]);
            let squares = self.short.map_or(0.0, |s| s.sums[1]);
            return (sum, squares);
        }
        self.phases
            .iter()
            .fold((0.0, 0.0), |(sum, squares), [end, c, cc]| {
                let all = 2.0 * cc - 2.0 * end * c + n * end * end;
                (sum + end, squares + all / (n * n))
            })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Samples through a chain, one element after the other, as a run has them.
    fn through(elements: &[Element], samples: &[f64]) -> Vec<f64> {
        elements.iter().fold(samples.to_vec(), |x, element| {
            let taps = match element {
                Element::Taps(taps, _) => taps.clone(),
                Element::Average(n, _) => vec![1.0 / *n as f64; *n as usize],
                Element::Periods { samples, .. } => Window::new(samples.expect("known")).taps(),
                Element::KeepEvery(n) => return x.iter().step_by(*n as usize).copied().collect(),
                Element::Mixed => return x,
                Element::Sections(sections, _) => {
                    return sections.iter().fold(x, |x, [b0, b1, b2, a1, a2]| {
                        let mut y: Vec<f64> = Vec::new();
                        let back =
                            |v: &[f64], i: usize, k: usize| i.checked_sub(k).map_or(0.0, |i| v[i]);
                        for i in 0..x.len() {
                            let forward = b0 * x[i] + b1 * back(&x, i, 1) + b2 * back(&x, i, 2);
                            y.push(forward - a1 * back(&y, i, 1) - a2 * back(&y, i, 2));
                        }
                        y
                    });
                }
            };
            let at = |i: usize| {
                taps.iter()
                    .zip(x[..=i].iter().rev())
                    .map(|(t, x)| t * x)
                    .sum()
            };
            (0..x.len()).map(at).collect()
        })
    }

    /// Σh and Σh² over impulses at each of `every` places between two samples that are kept.
    fn slow(elements: &[Element], every: usize, length: usize) -> (f64, f64) {
        (0..every).fold((0.0, 0.0), |sums, at| {
            let mut impulse = vec![0.0; length];
            impulse[at] = 1.0;
            let out = through(elements, &impulse);
            out.iter().fold(sums, |(s, q), h| (s + h, q + h * h))
        })
    }

    fn chain(average: Option<u64>) -> Vec<Element> {
        let mut all = vec![
            Element::Sections(
                vec![[0.1, 0.2, 0.1, -1.1, 0.5], [0.3, 0.0, 0.0, -0.7, 0.0]],
                60.0,
            ),
            Element::KeepEvery(3),
            Element::Periods {
                samples: Some(4.5),
                rate: 20.0,
                stated: false,
            },
            Element::Taps(vec![0.2, 0.5, 0.3], 20.0),
            Element::KeepEvery(2),
            Element::Sections(vec![[0.4, 0.0, 0.0, -0.6, 0.0]], 10.0),
        ];
        all.extend(average.map(|n| Element::Average(n, 10.0)));
        all
    }

    /// The chain's memory ends at 1e-9 of a step, which bounds what is missing of both sums.
    #[test]
    fn sums_are_those_of_impulses_through_the_chain() {
        for average in [None, Some(3), Some(40), Some(99), Some(700)] {
            let elements = chain(average);
            let (sum, squares) = impulse_sums(&elements).expect("short");
            let (s, q) = slow(&elements, 6, 6 * (300 + average.unwrap_or(0) as usize));
            assert!(
                (sum - s).abs() < 2e-9 * s && (squares - q).abs() < 4e-9 * q,
                "{average:?}: {sum} {s} {squares} {q}"
            );
        }
    }

    /// The same of sections alone, which need not be followed.
    #[test]
    fn sums_of_a_cascade_are_those_of_impulses_through_it() {
        let sections = vec![[0.1, 0.2, 0.1, -1.1, 0.5], [0.3, 0.0, 0.0, -0.7, 0.0]];
        for average in [None, Some(3), Some(40), Some(700)] {
            let mut elements = vec![Element::Sections(sections.clone(), 60.0)];
            elements.push(Element::KeepEvery(6));
            elements.extend(average.map(|n| Element::Average(n, 10.0)));
            let (sum, squares) = impulse_sums(&elements).expect("short");
            let (s, q) = slow(&elements, 6, 6 * (60 + average.unwrap_or(0) as usize));
            assert!(
                (sum - s).abs() < 2e-9 * s && (squares - q).abs() < 4e-9 * q,
                "{average:?}: {sum} {s} {squares} {q}"
            );
        }
    }

    /// One pole a: Σh²/(Σh)² = (1 - a)/(1 + a), a geometric series; the memory leaves 1e-9 of a step.
    #[test]
    fn one_pole_by_hand() {
        let pole = [Element::Sections(vec![[0.5, 0.0, 0.0, -0.5, 0.0]], 12.0)];
        let found = noise_bandwidth(&pole, 12.0).expect("short");
        assert!((found - 2.0).abs() < 1e-8, "{found}");
    }

    /// The mean of n samples has rate/(2n) (Harris 1978, table of a rectangular window); with nothing before
    /// it that is exact but for rounding in n terms, of 2^-53 each.
    #[test]
    fn a_mean_by_hand() {
        for n in [1, 7, 1000] {
            let found = noise_bandwidth(&[Element::Average(n, 100.0)], 100.0).expect("short");
            let exact = 50.0 / n as f64;
            assert!(
                (found - exact).abs() <= n as f64 * f64::EPSILON * exact,
                "{found}"
            );
        }
    }

    #[test]
    fn no_gain_at_zero_and_endless_memory_have_none() {
        let difference = [Element::Taps(vec![1.0, -1.0], 1.0)];
        assert_eq!(noise_bandwidth(&difference, 1.0), None);
        let slow = [Element::Sections(
            vec![[1e-9, 0.0, 0.0, 1e-9 - 1.0, 0.0]],
            1.0,
        )];
        assert_eq!(noise_bandwidth(&slow, 1.0), None);
    }
}
