//! Allan deviation of samples taken as averages of frequency over one sample interval.
//!
//! Riley, *Handbook of Frequency Stability Analysis*, NIST SP 1065 (2008), 5.2.2 (plain), 5.2.4
//! (overlapping) and 5.2.5 (modified).

/// Which of the deviations.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Deviation {
    /// Of averages that follow each other.
    Plain,
    /// Of averages that start at every sample.
    Overlapping,
    /// Of averages that start at every sample, averaged once more; tells white from flicker phase noise.
    Modified,
}

impl Deviation {
    /// Samples needed for averages of `m` samples.
    pub fn samples_needed(self, m: u64) -> u64 {
        match self {
            Deviation::Plain | Deviation::Overlapping => m.saturating_mul(2),
            Deviation::Modified => m.saturating_mul(3).saturating_sub(1),
        }
    }
}

/// Why a deviation has no answer.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum AllanError {
    /// A sample is missing.
    #[error(
        "expected every sample, found sample {0} missing; fill the gaps or use a record without"
    )]
    Gap(u64),
    /// More samples than may be kept.
    #[error("expected at most {0} samples, found more; average or decimate first")]
    TooMany(u64),
    /// Too few samples.
    #[error("expected at least {needed} samples for averages of {average}, found {found}")]
    TooFew {
        /// Samples of an average.
        average: u64,
        /// Samples needed.
        needed: u64,
        /// Samples there are.
        found: u64,
    },
}

/// Keeps the samples of a record.
#[derive(Clone, Debug)]
pub struct Record {
    samples: Vec<f64>,
    limit: usize,
}

impl Record {
    /// A record of at most `limit` samples.
    pub fn new(limit: usize) -> Self {
        Record {
            samples: Vec::new(),
            limit,
        }
    }

    /// Takes the next samples.
    ///
    /// # Errors
    /// [`AllanError::Gap`] names the first missing sample; [`AllanError::TooMany`].
    pub fn push(&mut self, samples: &[f64]) -> Result<(), AllanError> {
        if let Some(at) = samples.iter().position(|x| x.is_nan()) {
            return Err(AllanError::Gap((self.samples.len() + at) as u64));
        }
        if self.samples.len() + samples.len() > self.limit {
            return Err(AllanError::TooMany(self.limit as u64));
        }
        self.samples.extend_from_slice(samples);
        Ok(())
    }

    /// Samples so far.
    pub fn count(&self) -> u64 {
        self.samples.len() as u64
    }

    /// 1, 2, 4, ... for as long as there are samples enough.
    pub fn octaves(&self, kind: Deviation) -> Vec<u64> {
        (0..63)
            .map(|k| 1 << k)
            .take_while(|m| kind.samples_needed(*m) <= self.count())
            .collect()
    }

    /// The deviation for averages of each of these numbers of samples, in the unit of the samples.
    ///
    /// # Errors
    /// [`AllanError::TooFew`] samples for one of them, or an average of no samples.
    pub fn deviations(self, kind: Deviation, averages: &[u64]) -> Result<Vec<f64>, AllanError> {
        let found = self.count();
        for average in averages.iter().copied() {
            let needed = kind.samples_needed(average).max(2);
            if average == 0 || found < needed {
                return Err(AllanError::TooFew {
                    average,
                    needed,
                    found,
                });
            }
        }
        let phase = Phase::of(self.samples);
        Ok(averages
            .iter()
            .map(|m| phase.variance(kind, *m as usize).sqrt())
            .collect())
    }
}

/// Running sums of the samples less their mean, each as a value and what rounding took from it.
struct Phase(Vec<(f64, f64)>);

impl Phase {
    fn of(samples: Vec<f64>) -> Phase {
        // Taking any constant away leaves the deviations as they are and keeps the sums small.
        let mean = samples.iter().sum::<f64>() / samples.len() as f64;
        let mut sum = (0.0, 0.0);
        let mut phase = Vec::with_capacity(samples.len() + 1);
        phase.push(sum);
        for y in samples {
            sum = add(sum, y);
            sum = add(sum, -mean);
            phase.push(sum);
        }
        Phase(phase)
    }

    /// x(i + 2m) - 2x(i + m) + x(i): the second of two neighbouring averages less the first, times m.
    fn difference(&self, i: usize, m: usize) -> f64 {
        match (self.0.get(i), self.0.get(i + m), self.0.get(i + 2 * m)) {
            (Some(a), Some(b), Some(c)) => {
                ((c.0 - b.0) - (b.0 - a.0)) + ((c.1 - b.1) - (b.1 - a.1))
            }
            _ => f64::NAN,
        }
    }

    fn variance(&self, kind: Deviation, m: usize) -> f64 {
        let last = self.0.len() - 2 * m;
        let step = if kind == Deviation::Plain { m } else { 1 };
        let (mut sum, mut terms) = ((0.0, 0.0), 0u64);
        let mut take = |d: f64| {
            sum = add(sum, d * d);
            terms += 1;
        };
        if kind == Deviation::Modified {
            let mut inner = (0.0, 0.0);
            for i in 0..last {
                inner = add(inner, self.difference(i, m));
                if i + 1 >= m {
                    take((inner.0 + inner.1) / m as f64);
                    inner = add(inner, -self.difference(i + 1 - m, m));
                }
            }
        } else {
            (0..last)
                .step_by(step)
                .for_each(|i| take(self.difference(i, m)));
        }
        (sum.0 + sum.1) / (2.0 * m as f64 * m as f64 * terms as f64)
    }
}

/// Adds to a sum in two parts, exactly but for the second part's rounding (Knuth 1969).
fn add((high, low): (f64, f64), x: f64) -> (f64, f64) {
    let sum = high + x;
    let part = sum - high;
    let lost = (high - (sum - part)) + (x - part);
    (sum, low + lost)
}

#[cfg(test)]
mod tests {
    use super::*;

    const NINE: [f64; 9] = [
        892.0, 809.0, 823.0, 798.0, 671.0, 644.0, 883.0, 903.0, 677.0,
    ];

    fn deviations(
        kind: Deviation,
        samples: &[f64],
        averages: &[u64],
    ) -> Result<Vec<f64>, AllanError> {
        let mut record = Record::new(1 << 20);
        record.push(samples)?;
        record.deviations(kind, averages)
    }

    /// NIST SP 1065 (2008), table 31: nine frequency values; seven digits are printed.
    #[test]
    fn the_nine_values_of_the_handbook() {
        for (kind, expected) in [
            (Deviation::Plain, [91.22945, 115.8082]),
            (Deviation::Overlapping, [91.22945, 85.95287]),
            (Deviation::Modified, [91.22945, 74.78849]),
        ] {
            let found = deviations(kind, &NINE, &[1, 2]).expect("deviations");
            for (a, b) in found.iter().zip(expected) {
                assert!((a / b - 1.0).abs() < 5e-7, "{kind:?} {a} {b}");
            }
        }
    }

    /// Pseudorandom frequencies on a pedestal.
    fn record(n: usize) -> Vec<f64> {
        let mut state = 9u64;
        let mut next = || {
            state = state
                .wrapping_mul(6364136223846793005)
                .wrapping_add(1442695040888963407);
            (state >> 11) as f64 / (1u64 << 53) as f64
        };
        (0..n).map(|_| 1000.0 + next()).collect()
    }

    /// The definitions by averages of the samples themselves. The plain sum of m values near 1000 rounds
    /// by at most m·1000m·1.1e-16, its average by 1.1e-13·m, and a difference of two by twice that.
    #[test]
    fn deviations_agree_with_the_averages() {
        let y = record(300);
        let mean = |i: usize, m: usize| y[i..i + m].iter().sum::<f64>() / m as f64;
        for m in [1usize, 2, 3, 7, 32, 100] {
            let square = |d: f64| d * d;
            let plain: Vec<f64> = (0..300 / m - 1)
                .map(|k| square(mean((k + 1) * m, m) - mean(k * m, m)))
                .collect();
            let overlapping: Vec<f64> = (0..=300 - 2 * m)
                .map(|i| square(mean(i + m, m) - mean(i, m)))
                .collect();
            let inner =
                |j: usize| (j..j + m).map(|i| mean(i + m, m) - mean(i, m)).sum::<f64>() / m as f64;
            let modified: Vec<f64> = (0..=301 - 3 * m).map(|j| square(inner(j))).collect();
            for (kind, terms) in [
                (Deviation::Plain, plain),
                (Deviation::Overlapping, overlapping),
                (Deviation::Modified, modified),
            ] {
                let expected = (0.5 * terms.iter().sum::<f64>() / terms.len() as f64).sqrt();
                let found = deviations(kind, &y, &[m as u64]).expect("a deviation")[0];
                assert!(
                    (found - expected).abs() < 2.2e-13 * m as f64,
                    "{kind:?} {m}: {found} {expected}"
                );
            }
        }
    }

    /// A drift of d per sample gives m·d/sqrt(2) (SP 1065, 5.2): exact in doubles for d = 1 up to rounding.
    #[test]
    fn a_drift_grows_with_the_average() {
        let y: Vec<f64> = (0..1000u16).map(f64::from).collect();
        for kind in [
            Deviation::Plain,
            Deviation::Overlapping,
            Deviation::Modified,
        ] {
            for (m, found) in [1u64, 8, 300]
                .iter()
                .zip(deviations(kind, &y, &[1, 8, 300]).expect("deviations"))
            {
                assert!(
                    (found / (*m as f64 / 2f64.sqrt()) - 1.0).abs() < 1e-12,
                    "{kind:?} {m} {found}"
                );
            }
        }
    }

    #[test]
    fn any_slicing_gives_the_same_bits() {
        let y = record(500);
        let whole = deviations(Deviation::Modified, &y, &[1, 5, 100]).expect("deviations");
        for slice in [1, 7, 499] {
            let mut record = Record::new(500);
            y.chunks(slice)
                .for_each(|part| record.push(part).expect("room"));
            assert_eq!(
                record
                    .deviations(Deviation::Modified, &[1, 5, 100])
                    .expect("deviations"),
                whole
            );
        }
    }

    #[test]
    fn octaves_end_where_samples_do() {
        let mut record = Record::new(100);
        record.push(&[0.0; 33]).expect("room");
        assert_eq!(record.octaves(Deviation::Overlapping), [1, 2, 4, 8, 16]);
        assert_eq!(record.octaves(Deviation::Modified), [1, 2, 4, 8]);
    }

    #[test]
    fn gaps_and_bad_lengths_are_refused() {
        let mut record = Record::new(4);
        record.push(&[1.0, 2.0]).expect("room");
        assert_eq!(record.push(&[1.0, f64::NAN]), Err(AllanError::Gap(3)));
        assert_eq!(record.push(&[1.0; 3]), Err(AllanError::TooMany(4)));
        let few = AllanError::TooFew {
            average: 5,
            needed: 10,
            found: 9,
        };
        assert_eq!(deviations(Deviation::Plain, &NINE, &[1, 5]), Err(few));
        assert!(deviations(Deviation::Plain, &NINE, &[0]).is_err());
    }
}
