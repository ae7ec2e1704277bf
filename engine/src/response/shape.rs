//! How white noise at a chain's input is correlated at its output: what a few stretches of a record tell
//! about the mean of all of it.

use super::known::Known;
use super::noise::Impulse;
use super::weights::kept;
use super::{Element, Response};

/// Places at which the impulse response is kept.
const PLACES: usize = 1024;

/// Part of a step that may be left when the impulse response is cut off.
const REST: f64 = 1e-5;

/// Variances and covariances of means behind a chain whose input is white noise. They are those of noise
/// of a two-sided density of 1 at the frequency that the chain turns into zero, at a gain of 1 there.
#[derive(Clone, Debug, PartialEq)]
pub struct NoiseShape {
    /// Seconds from one node to the next.
    step: f64,
    /// q at the nodes, with q'' the autocovariance and q(0) = q'(0) = 0.
    nodes: Vec<f64>,
    /// q' behind the last node.
    slope: f64,
}

impl Response {
    /// The shape of noise behind the last mixing of a chain whose output has `rate` samples per second.
    /// What lies before the mixing is taken as flat around the signal.
    ///
    /// `None` where the chain would have to be followed for more than 2^27 samples, or has no gain at zero
    /// frequency.
    pub fn noise_shape(&self, rate: f64) -> Option<NoiseShape> {
        let (_, elements) = self.around_mixing();
        static KNOWN: Known<Option<NoiseShape>> = Known::new();
        KNOWN.get(elements, rate, || NoiseShape::of(elements, rate))
    }
}

impl NoiseShape {
    fn of(elements: &[Element], rate: f64) -> Option<Self> {
        let every = kept(elements) as f64;
        let summed = Impulse::new(elements, REST)?.summed(PLACES, 1);
        let gain: f64 = summed.stretches.iter().sum();
        let step = summed.length as f64 / (rate * every);
        let places = every / summed.length as f64;
        let shape = NoiseShape::new(&summed.stretches, step, places.max(1.0), gain);
        (gain.is_finite() && gain.abs() > 1e-6).then_some(shape)
    }

    /// Of an impulse response at places `step` seconds apart, of which there are so many from one node to the next: behind a
    /// decimation nodes lie where samples are kept, so that what it folds counts.
    fn new(impulse: &[f64], step: f64, places: f64, gain: f64) -> Self {
        let scale = 0.5 * step * places * places / (gain * gain);
        let all = autocovariances(impulse);
        let between = |place: f64| {
            let at = |k: usize| all.get(k).copied().unwrap_or(0.0);
            let (first, part) = (place as usize, place - place.floor());
            (1.0 - part) * at(first) + part * at(first + 1)
        };
        // A mean of n samples has the variance Σ(n - |k|)·r(k)/n²; the sum grows by Σr(k), |k| up to n.
        let (mut q, mut slope) = (0.0, 0.0);
        let mut nodes = vec![0.0];
        for k in 0..(all.len() as f64 / places).ceil() as usize {
            let autocovariance = between(k as f64 * places);
            slope += scale * autocovariance * if k == 0 { 1.0 } else { 2.0 };
            q += slope;
            nodes.push(q);
        }
        let step = step * places;
        NoiseShape {
            step,
            nodes,
            slope: slope / step,
        }
    }

    /// Between the nodes by cubics that go on smoothly (Hermite, with central differences), since means over less than a step
    /// depend on the curvature there.
    fn q(&self, time: f64) -> f64 {
        let place = time.abs() / self.step;
        let last = self.nodes.len() - 1;
        let node = |k: usize| match self.nodes.get(k) {
            Some(q) => *q,
            None => self.nodes[last] + self.slope * (k - last) as f64 * self.step,
        };
        if place >= last as f64 {
            return self.nodes[last] + self.slope * (place - last as f64) * self.step;
        }
        let at = place as usize;
        let part = place - at as f64;
        let (start, end) = (node(at), node(at + 1));
        // An even function.
        let before = if at == 0 { end } else { node(at - 1) };
        let (rise, last) = (0.5 * (end - before), 0.5 * (node(at + 2) - start));
        let (square, rest) = (part * part, 1.0 - part);
        (1.0 + 2.0 * part) * rest * rest * start
            + part * rest * rest * rise
            + square * (3.0 - 2.0 * part) * end
            - square * rest * last
    }

    /// Seconds after which the noise has forgotten itself.
    pub fn memory(&self) -> f64 {
        (self.nodes.len() - 1) as f64 * self.step
    }

    /// Variance of the mean over `length` seconds, in 1/s.
    pub fn mean_variance(&self, length: f64) -> f64 {
        2.0 * self.q(length) / (length * length)
    }

    /// Covariance, in 1/s, of the means over two stretches of `length` seconds that begin `apart` seconds
    /// from each other.
    pub fn covariance(&self, length: f64, apart: f64) -> f64 {
        self.between([0.0, length], [apart, apart + length])
    }

    /// Covariance, in 1/s, of the means over two stretches from here to there, in s.
    pub fn between(&self, [a, b]: [f64; 2], [c, d]: [f64; 2]) -> f64 {
        let [ad, bc, ac, bd] = [d - a, c - b, c - a, d - b].map(|t| self.q(t));
        (ad + bc - ac - bd) / ((b - a) * (d - c))
    }
}

/// Lags that are summed side by side.
const LAGS: usize = 16;

/// The sums of products of a sequence with itself, by lag.
fn autocovariances(x: &[f64]) -> Vec<f64> {
    let mut padded = x.to_vec();
    padded.resize(x.len() + LAGS, 0.0);
    let lags = (0..x.len()).step_by(LAGS).flat_map(|first| {
        let mut sums = [0.0; LAGS];
        for (x, later) in x.iter().zip(padded[first..].windows(LAGS)) {
            let products = sums.iter_mut().zip(later);
            products.for_each(|(sum, later)| *sum += x * later);
        }
        sums
    });
    lags.take(x.len()).collect()
}

#[cfg(test)]
mod tests {
    use super::super::Element;
    use super::*;

    fn pole(a: f64, rate: f64) -> Element {
        Element::Sections(vec![[1.0 - a, 0.0, 0.0, -a, 0.0]], rate)
    }

    /// White noise through nothing: independent, variance 1/T.
    #[test]
    fn nothing_leaves_noise_white() {
        let shape = Response::default().noise_shape(10.0).expect("short");
        assert!((shape.mean_variance(2.0) - 0.5).abs() < 1e-15);
        assert!((shape.covariance(2.0, 0.0) - 0.5).abs() < 1e-15);
        assert!(shape.covariance(2.0, 2.0).abs() < 1e-15);
    }

    /// One pole of time constant τ: autocovariance exp(-|t|/τ)/(2τ), so the variance of a mean over T is
    /// (T - τ(1 - exp(-T/τ)))/T², and that of neighbouring stretches τ(1 - exp(-T/τ))²/(2T²): integrals by
    /// hand. The places are 0.02 τ wide, which changes neither by more than 0.02²; a decimation to 100 samples in τ, and
    /// what lies before a mixing, change nothing.
    #[test]
    fn one_pole_by_hand() {
        let (tau, rate) = (0.5, 1000.0);
        let a = libm::exp(-1.0 / (tau * rate));
        let mut chain = Response::default()
            .then(pole(0.5, rate))
            .then(Element::Mixed)
            .then(pole(a, rate))
            .then(Element::KeepEvery(5));
        for (chain, rate) in [
            (chain.clone(), rate / 5.0),
            (
                {
                    chain.elements.pop();
                    chain
                },
                rate,
            ),
        ] {
            let shape = chain.noise_shape(rate).expect("short");
            for length in [0.5, 2.0, 20.0] {
                let left = 1.0 - libm::exp(-length / tau);
                let variance = (length - tau * left) / (length * length);
                let neighbours = 0.5 * tau * left * left / (length * length);
                let found = shape.mean_variance(length);
                assert!((found / variance - 1.0).abs() < 2e-3, "{found} {variance}");
                let found = shape.covariance(length, length);
                assert!(
                    (found / neighbours - 1.0).abs() < 5e-3,
                    "{found} {neighbours}"
                );
            }
        }
    }

    /// Behind a decimation to one sample in 3.5 time constants of one pole, means of n samples are those of n numbers with the
    /// autocorrelation a^(50 k), a = exp(-1/(70/1000 s · 1000 Hz)): (1 + 2·Σ(1 - k/n)·a^(50 k))/n of the variance
    /// rate·(1 - a)/(1 + a) of one, by hand. What the decimation folds is in it: 1.06 times as much for many as that of all
    /// samples. Places are 1 % of a time constant, with an error of their square.
    #[test]
    fn what_a_decimation_folds_counts() {
        let (rate, every) = (1000.0, 50);
        let a = libm::exp(-70.0 / rate);
        let chain = Response::default()
            .then(pole(a, rate))
            .then(Element::KeepEvery(every));
        let kept = rate / every as f64;
        let shape = chain.noise_shape(kept).expect("short");
        let own = rate * (1.0 - a) / (1.0 + a);
        for n in [1u32, 2, 5, 100] {
            let each = |k: u32| {
                let part = 1.0 - f64::from(k) / f64::from(n);
                2.0 * part * libm::exp(-3.5 * f64::from(k))
            };
            let exact = own * (1.0 + (1..n).map(each).sum::<f64>()) / f64::from(n);
            let found = shape.mean_variance(f64::from(n) / kept);
            assert!((found / exact - 1.0).abs() < 1e-3, "{n}: {found} {exact}");
        }
    }

    /// Stretches shorter than the steps between places, here 0.012 s, behind one pole of 1 s: the covariance of two of length L,
    /// t apart, is exp(-t)·sinh²(L/2)·2/L², and that of one with itself (L - 1 + exp(-L))/L² (integrals by hand). The kink
    /// at zero is rounded within a step, over which the covariance falls by 1.2 %: it may be off by twice that.
    #[test]
    fn short_stretches_by_hand() {
        let rate = 1000.0;
        let a = libm::exp(-1.0 / rate);
        let chain = Response::default().then(pole(a, rate));
        let shape = chain.noise_shape(rate).expect("short");
        assert!(shape.step > 0.01);
        for length in [0.004f64, 0.007, 0.03] {
            let half = libm::sinh(0.5 * length) / length;
            for apart in [0.0, 1.0, 2.0, 5.0, 20.0].map(|k| k * length) {
                let exact = match apart {
                    0.0 => (length - 1.0 + libm::exp(-length)) / (length * length),
                    apart => 2.0 * half * half * libm::exp(-apart),
                };
                let found = shape.covariance(length, apart);
                assert!(
                    (found / exact - 1.0).abs() < 0.024,
                    "{length} {apart}: {found} {exact}"
                );
            }
        }
    }

    /// The variance of a mean is that of its noise bandwidth: density 2 one-sided, and 2B of it.
    #[test]
    fn agrees_with_the_noise_bandwidth() {
        let rate = 100.0;
        let chain = [
            pole(0.9, rate),
            pole(0.9, rate),
            Element::Taps(vec![0.25; 4], rate),
        ];
        let shape = Response {
            elements: chain.to_vec(),
        }
        .noise_shape(rate)
        .expect("short");
        for n in [10, 100, 1000] {
            let mut with = chain.to_vec();
            with.push(Element::Average(n, rate));
            let bandwidth = super::super::noise::noise_bandwidth(&with, rate).expect("short");
            let found = shape.mean_variance(n as f64 / rate);
            // What is cut off is 1e-5 of a step.
            assert!(
                (found / (2.0 * bandwidth) - 1.0).abs() < 1e-4,
                "{n} {found}"
            );
        }
    }
}
