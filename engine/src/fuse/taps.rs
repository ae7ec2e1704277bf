//! A finite impulse response of which only some outputs are kept: a sum of products for each of them.

use multiversion::multiversion;
use num_complex::Complex64;

use super::lanes::{LANES, Lanes};

/// A finite impulse response behind a mixing: its taps, each turned back by as much as its sample is old.
#[derive(Debug)]
pub struct Taps {
    /// From the oldest sample to the newest.
    cosine: Vec<f64>,
    sine: Vec<f64>,
    /// Sums over the newest 1, 2, ... samples.
    newest: Vec<Complex64>,
}

impl Taps {
    /// Those taps, the first of which is for the newest sample; `ahead(n)` is what a sample is ahead of one n
    /// samples later.
    pub fn new(taps: &[f64], ahead: impl Fn(u64) -> Complex64) -> Self {
        let turned: Vec<Complex64> = (0..).zip(taps).map(|(k, tap)| ahead(k) * *tap).collect();
        let newest = turned.iter().scan(Complex64::ZERO, |sum, z| {
            *sum += z;
            Some(*sum)
        });
        Taps {
            newest: newest.collect(),
            cosine: turned.iter().rev().map(|z| z.re).collect(),
            sine: turned.iter().rev().map(|z| z.im).collect(),
        }
    }

    /// What samples from `start` on add to each of the outputs they touch, from the first at or behind `start`;
    /// one of `every` outputs is kept.
    pub fn parts(&self, samples: &[f64], start: u64, every: u64) -> Vec<Complex64> {
        let length = self.cosine.len() as u64;
        let end = start + samples.len() as u64;
        let mut at = start.next_multiple_of(every);
        let mut parts = Vec::new();
        while length > 0 && (at + 1).saturating_sub(length) < end {
            // The window is [at - length + 1, at]; what lies before sample 0 is zero.
            let oldest = (at + 1).saturating_sub(length).max(start);
            let newest = at.min(end - 1);
            let from = (oldest + length - 1 - at) as usize;
            let window = &samples[(oldest - start) as usize..=(newest - start) as usize];
            let taps = from..from + window.len();
            let [re, im] = dot(window, &self.cosine[taps.clone()], &self.sine[taps]);
            parts.push(Complex64::new(re, im));
            at += every;
        }
        parts
    }

    /// What a constant of one gives at a sample, before it is turned.
    pub fn ones(&self, sample: u64) -> Complex64 {
        let whole = self.newest.len().saturating_sub(1);
        let newest = usize::try_from(sample).map_or(whole, |n| n.min(whole));
        self.newest.get(newest).copied().unwrap_or_default()
    }
}

/// Sums of products with two rows, in a fixed order.
#[multiversion(targets("x86_64+avx2", "x86_64+avx"))]
fn dot(samples: &[f64], cosine: &[f64], sine: &[f64]) -> [f64; 2] {
    let (mut re, mut im) = ([0.0; LANES], [0.0; LANES]);
    let (x, x_rest) = samples.as_chunks::<LANES>();
    let (c, c_rest) = cosine.as_chunks::<LANES>();
    let (s, s_rest) = sine.as_chunks::<LANES>();
    for ((x, c), s) in x.iter().zip(c).zip(s) {
        for lane in 0..LANES {
            re[lane] += x[lane] * c[lane];
            im[lane] += x[lane] * s[lane];
        }
    }
    for (lane, ((x, c), s)) in x_rest.iter().zip(c_rest).zip(s_rest).enumerate() {
        re[lane] += x * c;
        im[lane] += x * s;
    }
    [re, im].map(|lanes| Lanes(lanes).across())
}
