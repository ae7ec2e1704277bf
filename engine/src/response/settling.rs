//! How long a chain takes to answer a step.

use super::Element;
use super::known::Known;
use crate::fuse::Weights;

/// Longest step response that is computed, in samples of an element.
const LONGEST: u64 = 1 << 28;

/// Seconds until the answer of a chain to a step stays within `fraction` of its end value.
pub(super) fn settling_of(elements: &[Element], fraction: f64) -> Option<f64> {
    static KNOWN: Known<Option<f64>> = Known::new();
    KNOWN.get(elements, fraction, || followed(elements, fraction))
}

fn followed(elements: &[Element], fraction: f64) -> Option<f64> {
    // A step of which only every n-th sample is kept is the same step at the lower rate.
    let first = elements.iter().enumerate().find_map(|(i, e)| match e {
        Element::Sections(_, rate) | Element::Taps(_, rate) => Some((i, *rate)),
        Element::Periods { rate, .. } => e.counted_periods().map(|_| (i, *rate)),
        _ => None,
    });
    let Some((first, rate)) = first else {
        return Some(0.0);
    };
    let elements = &elements[first..];
    let mut states: Vec<State<'_>> = elements.iter().map(State::new).collect();
    let end: f64 = elements.iter().map(dc_gain).product();
    // A chain whose gain at zero frequency is zero settles to zero; its scale is then its input's.
    let scale = if end == 0.0 { 1.0 } else { end.abs() };
    let limit = elements
        .iter()
        .try_fold((0.0, 1u64), |(longest, every), e| {
            let own = memory(e, fraction)? * every as f64;
            let every = if let Element::KeepEvery(n) = e {
                every.saturating_mul(*n)
            } else {
                every
            };
            Some((longest + own, every))
        });
    let limit = limit
        .map(|(samples, _): (f64, u64)| samples.ceil())
        .filter(|s| *s < LONGEST as f64)? as u64;
    if let Some((sections, every)) = recursive(elements)
        && let Some(weights) = Weights::new(&sections)
    {
        return Some(by_blocks(&weights, every, limit, fraction * scale) as f64 / rate);
    }
    let mut settled = 0;
    for n in 0..=limit {
        let out = states.iter_mut().try_fold(1.0, |x, state| state.step(x));
        if out.is_some_and(|y| (y - end).abs() > fraction * scale) {
            settled = n + 1;
        }
    }
    Some(settled as f64 / rate)
}

/// The sections of a chain that has nothing but sections at one rate, and then perhaps keeps one sample of many.
fn recursive(elements: &[Element]) -> Option<(Vec<[f64; 5]>, u64)> {
    let (mut sections, mut every) = (Vec::new(), 1u64);
    for element in elements {
        match element {
            Element::Sections(more, _) if every == 1 => sections.extend(more),
            Element::KeepEvery(n) => every = every.saturating_mul(*n),
            Element::Mixed | Element::Average(..) | Element::Periods { samples: None, .. } => {}
            _ => return None,
        }
    }
    (!sections.is_empty()).then_some((sections, every))
}

/// Blocks in which a step response is followed.
const BLOCKS: u64 = 2048;

/// Samples, up to `limit`, until a step response stays within `tolerance` of its end; only every so many count.
///
/// What is left of the step is `C·A^n·d`, with d the distance of the state from its end. Blocks are passed by a power
/// of A, and those in which nothing can exceed the tolerance are not looked into.
fn by_blocks(weights: &Weights, every: u64, limit: u64, tolerance: f64) -> u64 {
    let block = (limit / BLOCKS).max(1);
    let states = weights.states;
    let [one, jump] = [1, block].map(|n| weights.power(n));
    // The largest that any number of a state can become within a block, by those at its start.
    let mut most = vec![0.0f64; states];
    for start in 0..states {
        let mut state = vec![0.0; states];
        state[start] = 1.0;
        for _ in 0..block {
            most[start] = most[start].max(size(&weights.out, &state));
            Weights::pass(&one, &mut state);
        }
    }
    let mut distance: Vec<f64> = weights.end().iter().map(|w| -w).collect();
    let mut distances = Vec::new();
    for _ in 0..=limit / block {
        distances.extend_from_slice(&distance);
        Weights::pass(&jump, &mut distance);
    }
    for (index, distance) in distances.chunks_exact(states).enumerate().rev() {
        if size(&most, distance) <= tolerance {
            continue;
        }
        let (mut state, mut settled) = (distance.to_vec(), None);
        let first = index as u64 * block;
        for n in first..(first + block).min(limit + 1) {
            if n.is_multiple_of(every) && dot(&weights.out, &state).abs() > tolerance {
                settled = Some(n + 1);
            }
            Weights::pass(&one, &mut state);
        }
        if let Some(settled) = settled {
            return settled;
        }
    }
    0
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

/// The sum of the products' sizes.
fn size(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| (a * b).abs()).sum()
}

/// Steps that a step response is followed for one by one, at most.
const FOLLOWED: f64 = (1 << 22) as f64;

/// The answer of a chain to a step, in parts of its end value, at no more than the given number of times up to
/// `seconds`, at which samples are kept; times in seconds. `None` where it has no end value or is too long to follow.
pub(super) fn step_of(
    elements: &[Element],
    seconds: f64,
    points: usize,
) -> Option<Vec<(f64, f64)>> {
    let first = elements.iter().position(|e| {
        matches!(e, Element::Sections(..) | Element::Taps(..)) || e.counted_periods().is_some()
    })?;
    let elements = &elements[first..];
    let rate = super::rate_at_start(elements, None)?;
    let end: f64 = elements.iter().map(dc_gain).product();
    let steps = (seconds * rate).ceil();
    if end.abs() < 1e-9 || !(1.0..LONGEST as f64).contains(&steps) {
        return None;
    }
    if let Some((sections, every)) = recursive(elements)
        && let Some(weights) = Weights::new(&sections)
    {
        // Kept samples, as many apart as it takes.
        let apart = steps / points as f64 / every as f64;
        let apart = every.saturating_mul((apart.ceil() as u64).max(1));
        let jump = weights.power(apart);
        let mut distance: Vec<f64> = weights.end().iter().map(|w| -w).collect();
        let part = |n: u64| {
            let left = dot(&weights.out, &distance) / end;
            Weights::pass(&jump, &mut distance);
            (n as f64 / rate, 1.0 + left)
        };
        let times = (0..=steps as u64).step_by(usize::try_from(apart).ok()?);
        return Some(times.map(part).collect());
    }
    if steps >= FOLLOWED {
        return None;
    }
    let mut states: Vec<State<'_>> = elements.iter().map(State::new).collect();
    let mut shown = Vec::new();
    for n in 0..=steps as u64 {
        let out = states.iter_mut().try_fold(1.0, |x, state| state.step(x));
        // The first sample that is kept at or after each of the times.
        if let Some(out) = out
            && n as f64 * points as f64 >= steps * shown.len() as f64
        {
            shown.push((n as f64 / rate, out / end));
        }
    }
    Some(shown)
}

/// Points of a step response that is summed up.
const SUMMED: usize = 4096;

/// Part of a step of which it does not matter that it is left.
const NOTHING: f64 = 1e-6;

/// What is left of a step, in parts of its end value, in the mean from `skip` to `duration` seconds.
pub(super) fn left_of_step(elements: &[Element], skip: f64, duration: f64) -> Option<f64> {
    let over = settling_of(elements, NOTHING)?.min(duration);
    if over <= skip {
        return Some(0.0);
    }
    let answer = step_of(elements, over, SUMMED)?;
    let left = answer.iter().filter(|(time, _)| *time >= skip);
    let sum: f64 = left.map(|(_, part)| 1.0 - part).sum();
    Some(sum * over / answer.len() as f64 / (duration - skip))
}

fn dc_gain(element: &Element) -> f64 {
    match element {
        Element::Sections(sections, _) => sections
            .iter()
            .map(|[b0, b1, b2, a1, a2]| (b0 + b1 + b2) / (1.0 + a1 + a2))
            .product(),
        Element::Taps(taps, _) => taps.iter().sum(),
        Element::Periods { .. } => element
            .counted_periods()
            .map_or(1.0, |n| (0..n).map(|_| 1.0 / n as f64).sum()),
        _ => 1.0,
    }
}

/// Samples after which an element's step response has certainly settled.
///
/// m poles of radius r decay no slower than k^(m-1)·r^k; in units of 1/ln(1/r) the tail of m equal
/// poles falls below `fraction` before ln(1/fraction) + 3m + 10 (upper tail of the Erlang law).
pub(super) fn memory(element: &Element, fraction: f64) -> Option<f64> {
    match element {
        Element::Taps(taps, _) => Some(taps.len() as f64),
        Element::Periods { .. } => Some(element.counted_periods().unwrap_or(0) as f64),
        Element::Sections(sections, _) => {
            let radius = sections
                .iter()
                .map(|[.., a1, a2]| pole_radius(*a1, *a2))
                .fold(0.0, f64::max);
            let of = |[_, _, b2, _, a2]: &[f64; 5]| {
                if *a2 == 0.0 && *b2 == 0.0 { 1.0 } else { 2.0 }
            };
            let poles: f64 = sections.iter().map(of).sum();
            let decays = libm::log(1.0 / fraction) + 3.0 * poles + 10.0;
            if radius >= 1.0 {
                None
            } else if radius < 1e-3 {
                Some(poles * 4.0 + 8.0)
            } else {
                Some(decays / -libm::log(radius) + 2.0 * poles)
            }
        }
        _ => Some(0.0),
    }
}

fn pole_radius(a1: f64, a2: f64) -> f64 {
    let discriminant = a1 * a1 - 4.0 * a2;
    if discriminant < 0.0 {
        a2.abs().sqrt()
    } else {
        0.5 * (a1.abs() + discriminant.sqrt())
    }
}

/// Steps an element sample by sample.
enum State<'e> {
    Sections(&'e [[f64; 5]], Vec<[f64; 2]>),
    Taps {
        taps: &'e [f64],
        sum: f64,
        next: usize,
    },
    Mean {
        length: u64,
        sum: f64,
        next: u64,
    },
    KeepEvery(u64, u64),
    Nothing,
}

impl<'e> State<'e> {
    fn new(element: &'e Element) -> Self {
        match element {
            Element::Sections(sections, _) => {
                State::Sections(sections, vec![[0.0; 2]; sections.len()])
            }
            Element::Taps(taps, _) => State::Taps {
                taps,
                sum: 0.0,
                next: 0,
            },
            Element::KeepEvery(n) => State::KeepEvery(*n, 0),
            Element::Periods { .. } => match element.counted_periods() {
                Some(length) => State::Mean {
                    length,
                    sum: 0.0,
                    next: 0,
                },
                None => State::Nothing,
            },
            Element::Mixed | Element::Average(..) => State::Nothing,
        }
    }

    /// The output for the next input; `None` for a sample that is not kept.
    fn step(&mut self, x: f64) -> Option<f64> {
        match self {
            State::Sections(sections, states) => {
                let through = |x, ([b0, b1, b2, a1, a2], s): (&[f64; 5], &mut [f64; 2])| {
                    let y = b0 * x + s[0];
                    s[0] = b1 * x - a1 * y + s[1];
                    s[1] = b2 * x - a2 * y;
                    y
                };
                Some(sections.iter().zip(states).fold(x, through))
            }
            // An element before this one that has not settled is not exactly a step; its remaining
            // change is bounded by its own memory, which `settling_of` adds.
            State::Taps { taps, sum, next } => {
                if let Some(tap) = taps.get(*next) {
                    *sum += tap;
                    *next += 1;
                }
                Some(*sum * x)
            }
            State::Mean { length, sum, next } => {
                if *next < *length {
                    *sum += 1.0 / *length as f64;
                    *next += 1;
                }
                Some(*sum * x)
            }
            State::KeepEvery(every, count) => {
                let kept = *count == 0;
                *count = (*count + 1) % *every;
                kept.then_some(x)
            }
            State::Nothing => Some(x),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::{Element, Response};

    fn rc(poles: usize, tau: f64, rate: f64) -> Response {
        let a = libm::exp(-1.0 / (rate * tau));
        Response::default().then(Element::Sections(
            vec![[1.0 - a, 0.0, 0.0, -a, 0.0]; poles],
            rate,
        ))
    }

    /// Settling of n equal poles to 1 %, in time constants: the regularised incomplete gamma function
    /// equals 0.99 (Abramowitz & Stegun 1964, 6.5). A sampled cascade differs by at most two samples.
    #[test]
    fn rc_cascade_settles_as_the_gamma_function_says() {
        let rate = 1000.0;
        for (poles, expected) in [(1, 4.605), (2, 6.638), (3, 8.406), (4, 10.045)] {
            let settled = rc(poles, 1.0, rate).settling_time(0.01).unwrap_or(f64::NAN);
            assert!(
                (settled - expected).abs() < 0.001 + 2.0 * poles as f64 / rate,
                "{poles}: {settled}"
            );
        }
    }

    #[test]
    fn taps_settle_when_the_last_one_is_in() {
        let response = Response::default().then(Element::Taps(vec![0.25; 4], 4.0));
        assert_eq!(response.settling_time(1e-6), Some(0.75));
    }

    /// The compact element counts as the list of taps that it stands for.
    #[test]
    fn a_mean_over_periods_settles_as_its_taps() {
        for (samples, length) in [(4.0, 4), (99.2, 100), (10_000.0, 10_000)] {
            let taps =
                Response::default().then(Element::Taps(vec![1.0 / length as f64; length], 50.0));
            let periods = |stated| {
                Response::default().then(Element::Periods {
                    samples: Some(samples),
                    rate: 50.0,
                    stated,
                })
            };
            for fraction in [1e-2, 1e-4] {
                let found = periods(true).settling_time(fraction);
                assert_eq!(found, taps.settling_time(fraction));
            }
            assert_eq!(periods(false).settling_time(0.01), Some(0.0));
        }
    }

    /// Keeping every n-th sample first changes nothing but the rate, however large n is.
    #[test]
    fn what_is_decimated_first_settles_as_at_the_lower_rate() {
        let slow = rc(1, 0.05, 1000.0);
        let alone = slow.settling_time(1e-4);
        for every in [10, 1 << 40] {
            let mut behind = Response::default().then(Element::KeepEvery(every));
            behind.elements.extend(slow.elements.clone());
            assert_eq!(behind.settling_time(1e-4), alone);
        }
    }

    /// The step response of n equal poles is the regularised incomplete gamma function P(n, t/tau) (Abramowitz &
    /// Stegun 1964, 6.5.13): 1 - exp(-x) for one, 1 - exp(-x)(1 + x) for two. A sampled pole answers one sample
    /// earlier or later, which is 1/1000 of a time constant here, for each.
    #[test]
    fn a_step_is_answered_as_by_the_gamma_function() {
        let rate = 1000.0;
        for poles in [1, 2] {
            let chain = rc(poles, 1.0, rate);
            let steps = super::step_of(&chain.elements, 5.0, 100).unwrap();
            assert_eq!(steps.len(), 101);
            for (t, part) in steps {
                let sum = if poles == 1 { 1.0 } else { 1.0 + t };
                let expected = 1.0 - libm::exp(-t) * sum;
                assert!(
                    (part - expected).abs() < poles as f64 / rate,
                    "{poles}, {t}: {part}"
                );
            }
        }
        assert_eq!(super::step_of(&Response::default().elements, 1.0, 10), None);
    }

    /// Sample by sample and block by block it is the same sample, for equal poles, resonances, high-passes and what is
    /// kept of them.
    #[test]
    fn blocks_find_the_sample_that_following_finds() {
        let resonance = |f: f64, r: f64| {
            let w = std::f64::consts::TAU * f;
            [1.0, 0.0, 0.0, -2.0 * r * libm::cos(w), r * r]
        };
        let pass = |p: f64| [1.0 - p, 0.0, 0.0, -p, 0.0];
        let chains = [
            vec![pass(0.999); 4],
            vec![pass(0.99), pass(0.9), pass(0.5)],
            vec![resonance(0.01, 0.995), pass(0.9)],
            vec![resonance(0.2, 0.999), resonance(0.3, 0.9)],
            vec![[0.999, -0.999, 0.0, -0.998, 0.0], pass(0.99)],
        ];
        for sections in chains {
            for every in [1, 7, 100] {
                let mut elements = vec![Element::Sections(sections.clone(), 1.0)];
                elements.push(Element::KeepEvery(every));
                for fraction in [0.3, 1e-2, 1e-4] {
                    let found = super::settling_of(&elements, fraction);
                    let mut state = super::State::new(&elements[0]);
                    let end = super::dc_gain(&elements[0]);
                    let scale = if end == 0.0 { 1.0 } else { end.abs() };
                    let far = |n: &u64| {
                        let y = state.step(1.0).unwrap();
                        n.is_multiple_of(every) && (y - end).abs() > fraction * scale
                    };
                    let last = (0..60_000).filter(far).last();
                    assert_eq!(
                        found,
                        Some(last.map_or(0.0, |n| (n + 1) as f64)),
                        "{sections:?} {every}"
                    );
                }
            }
        }
    }

    /// By powers it is the answer that following finds sample by sample; both round about as many times as they step.
    #[test]
    fn powers_give_the_step_that_following_gives() {
        let pass = |p: f64| [1.0 - p, 0.0, 0.0, -p, 0.0];
        let ring = [1.0, 0.5, 0.25, -1.8, 0.9];
        for sections in [vec![pass(0.999); 4], vec![ring, pass(0.9)]] {
            for every in [1, 7] {
                let filter = Element::Sections(sections.clone(), 50.0);
                let elements = [filter, Element::KeepEvery(every)];
                let shown = super::step_of(&elements, 400.0, 300).unwrap();
                let mut state = super::State::new(&elements[0]);
                let end = super::dc_gain(&elements[0]);
                let all: Vec<f64> = (0..=20_000).map(|_| state.step(1.0).unwrap()).collect();
                assert!((150..=301).contains(&shown.len()));
                for (time, part) in shown {
                    let n = (time * 50.0).round() as usize;
                    assert!(n.is_multiple_of(every as usize));
                    let far = (part - all[n] / end).abs();
                    assert!(far < 20_000.0 * f64::EPSILON, "{n}: {far}");
                }
            }
        }
    }

    #[test]
    fn nothing_settles_at_once() {
        assert_eq!(Response::default().settling_time(1e-6), Some(0.0));
    }

    /// What one pole leaves of a step: the mean of exp(-t/τ) from a to T is τ·(exp(-a/τ) - exp(-T/τ))/(T - a). The
    /// sum is over 4096 points.
    #[test]
    fn a_mean_that_begins_too_early_is_too_small() {
        let tau = 0.1;
        let response = rc(1, tau, 1e4);
        for (skip, end) in [(0.0, 10.0), (0.05, 2.0), (0.3, 0.5), (0.0, 0.02)] {
            let e = |t: f64| libm::exp(-t / tau);
            let expected = tau * (e(skip) - e(end)) / (end - skip);
            let found = response.left_of_step(skip, end).unwrap_or(f64::NAN);
            assert!(
                (found - expected).abs() < 5e-3 * expected,
                "{skip} {end}: {found} {expected}"
            );
        }
        assert_eq!(response.left_of_step(2.0, 10.0), Some(0.0));
        assert_eq!(Response::default().left_of_step(0.0, 10.0), Some(0.0));
    }
}
