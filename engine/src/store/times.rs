//! From a dataset of sample times to a rate and the gaps.

use super::{StoreError, Stretch};

/// Share of a sample interval by which a time may miss its place.
const TOLERANCE: f64 = 1e-3;
/// Differences that the sample interval is first taken from.
const FIRST: u64 = 1 << 18;
/// Stretches between gaps that are kept account of.
const MOST_STRETCHES: usize = 100_000;
/// Samples missing per sample present, at most.
const MOST_MISSING: u64 = 1000;

/// Sample times as a uniform grid with gaps.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Grid {
    /// Samples per unit of time.
    pub rate: f64,
    /// The time of the first sample, where that is known.
    pub first: Option<f64>,
    /// Samples on the grid, missing ones included.
    pub samples: u64,
    /// Stretches without a gap; empty when there is no gap at all.
    pub stretches: Vec<Stretch>,
}

/// Why times are no uniform grid: what was expected, and what was found.
pub(super) type Unfit = (String, String);

/// Where times come from: `read(start, length)` gives times relative to the first one.
pub(super) struct Times<'t> {
    /// How many there are.
    pub count: u64,
    /// What the stored type can tell apart.
    pub resolution: f64,
    /// Reads some of them.
    pub read: &'t mut dyn FnMut(u64, u64) -> Result<Vec<f64>, StoreError>,
}

impl Times<'_> {
    /// Finds the grid: the interval is the median of the first differences, refined by the mean of
    /// those near it; then every difference must be a whole number of intervals.
    pub fn grid(&mut self) -> Result<Result<Grid, Unfit>, StoreError> {
        if self.count < 2 {
            return Ok(Err((
                "at least two times".into(),
                format!("{}; state the rate instead", self.count),
            )));
        }
        let first = (self.read)(0, self.count.min(FIRST + 1))?;
        let (step, resolution) = match interval(&first, self.resolution) {
            Ok(found) => found,
            Err(unfit) => return Ok(Err(unfit)),
        };
        // Both ends of a difference are rounded to what the type can tell apart.
        let tolerance = TOLERANCE * step + resolution;
        let mut stretches = vec![Stretch {
            stored: 0,
            grid: 0,
            length: 1,
        }];
        let mut grid = 0u64;
        let mut last = 0.0;
        let mut block = first;
        let mut index = 0u64;
        loop {
            for &time in block.iter().skip(usize::from(index == 0)) {
                let at = index + u64::from(index == 0);
                index = at + 1;
                let difference = time - last;
                let steps = (difference / step).round();
                if !(steps >= 1.0 && (difference - steps * step).abs() <= tolerance) {
                    return Ok(Err(misplaced(at, difference, step)));
                }
                grid = grid.saturating_add(steps as u64);
                match stretches.last_mut() {
                    Some(stretch) if steps == 1.0 => stretch.length += 1,
                    _ => stretches.push(Stretch {
                        stored: at,
                        grid,
                        length: 1,
                    }),
                }
                last = time;
                if stretches.len() > MOST_STRETCHES || grid > MOST_MISSING * self.count {
                    let found = format!("too many gaps by sample {at}; cut the recording there");
                    return Ok(Err((
                        format!(
                            "at most {MOST_STRETCHES} gaps, and {MOST_MISSING} times as many samples missing as present"
                        ),
                        found,
                    )));
                }
            }
            if index >= self.count {
                break;
            }
            block = (self.read)(index, (self.count - index).min(FIRST))?;
        }
        if stretches.len() == 1 {
            stretches.clear();
        }
        let uncertainty = 2.0 * f64::max(resolution / last, f64::EPSILON);
        let rate = shortest(grid as f64 / last, uncertainty);
        Ok(Ok(Grid {
            rate,
            // Times are given relative to it here.
            first: None,
            samples: grid + 1,
            stretches,
        }))
    }
}

/// The usual difference of neighbours, and what times are rounded to; 0 where they are exact.
fn interval(times: &[f64], resolution: f64) -> Result<(f64, f64), Unfit> {
    let differences: Vec<f64> = times.windows(2).map(|w| w[1] - w[0]).collect();
    if let Some(bad) = differences.iter().position(|d| d.is_nan() || *d <= 0.0) {
        return Err(misplaced(bad as u64 + 1, differences[bad], f64::NAN));
    }
    let mut sorted = differences.clone();
    let middle = sorted.len() / 2;
    let median = *sorted.select_nth_unstable_by(middle, f64::total_cmp).1;
    // Times about as coarse as their interval must be exact, as hours counted in whole numbers are.
    let coarse = resolution > median / 4.0;
    if coarse && looks_rounded(&differences, median, resolution) {
        let found = format!(
            "times about {median} apart that are rounded to {resolution}; state the rate instead"
        );
        return Err(("times that tell neighbours apart".into(), found));
    }
    let resolution = if coarse { 0.0 } else { resolution };
    let tolerance = TOLERANCE * median + resolution;
    let near = differences
        .iter()
        .filter(|d| (*d - median).abs() <= tolerance);
    let (sum, count) = near.fold((0.0, 0u64), |(sum, count), d| (sum + d, count + 1));
    Ok((sum / count as f64, resolution))
}

/// Whether differences vary as those of rounded times do: by one step of the rounding, evenly. Gaps,
/// which they could be taken for where the interval is one such step, are longer or come unevenly.
fn looks_rounded(differences: &[f64], median: f64, resolution: f64) -> bool {
    let others: Vec<usize> = (0..differences.len())
        .filter(|&i| differences[i] != median)
        .collect();
    let by_one = others
        .iter()
        .all(|&i| (differences[i] - median).abs() <= resolution);
    let apart = others.windows(2).map(|w| w[1] - w[0]);
    let even = apart.clone().max().unwrap_or(0) - apart.min().unwrap_or(0) <= 1;
    others.len() >= 3 && by_one && even
}

fn misplaced(index: u64, difference: f64, step: f64) -> Unfit {
    let before = index - 1;
    if difference.is_nan() {
        return (
            "a time for every sample".into(),
            format!("no number at sample {before} or {index}; state the rate instead"),
        );
    }
    if difference <= 0.0 {
        return (
            "times that increase".into(),
            format!(
                "{difference} from sample {before} to {index}; sort the samples, or state the rate instead"
            ),
        );
    }
    let expected =
        format!("times a whole number of intervals of {step} apart (within {TOLERANCE} of one)");
    (
        expected,
        format!(
            "{difference} from sample {before} to {index}; resample the recording, or cut it there"
        ),
    )
}

/// The number with the fewest decimal digits within a relative `uncertainty`, so that files of one
/// set-up agree on a rate that their times tell only to within rounding.
fn shortest(value: f64, uncertainty: f64) -> f64 {
    let near = |digits: &usize| {
        let short: f64 = format!("{value:.digits$e}").parse().ok()?;
        ((short - value).abs() <= value * uncertainty).then_some(short)
    };
    (0..17).find_map(|digits| near(&digits)).unwrap_or(value)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn grid(times: &[f64], resolution: f64) -> Result<Grid, Unfit> {
        let mut read = |start: u64, length: u64| {
            let first = times[0];
            Ok(times[start as usize..(start + length) as usize]
                .iter()
                .map(|t| t - first)
                .collect())
        };
        Times {
            count: times.len() as u64,
            resolution,
            read: &mut read,
        }
        .grid()
        .unwrap()
    }

    #[test]
    fn uniform_times_give_a_round_rate() {
        let times: Vec<f64> = (0..1000).map(|i| 1.7e9 + f64::from(i) / 1e3).collect();
        let found = grid(&times, 1.7e9 * f64::EPSILON).unwrap();
        assert_eq!(
            found,
            Grid {
                first: None,
                rate: 1e3,
                samples: 1000,
                stretches: vec![]
            }
        );
    }

    #[test]
    fn a_gap_splits_the_stretches() {
        let times = [0.0, 1.0, 2.0, 5.0, 6.0, 10.0];
        let stretches = vec![
            Stretch {
                stored: 0,
                grid: 0,
                length: 3,
            },
            Stretch {
                stored: 3,
                grid: 5,
                length: 2,
            },
            Stretch {
                stored: 5,
                grid: 10,
                length: 1,
            },
        ];
        assert_eq!(
            grid(&times, 1e-15).unwrap(),
            Grid {
                first: None,
                rate: 1.0,
                samples: 11,
                stretches
            }
        );
    }

    #[test]
    fn times_longer_than_a_block_are_read_on() {
        let count = FIRST + 1000;
        // One sample is missing behind the first block.
        let times: Vec<f64> = (0..count)
            .map(|i| (i + u64::from(i > FIRST + 10)) as f64)
            .collect();
        let found = grid(&times, 0.0).unwrap();
        assert_eq!(found.samples, count + 1);
        assert_eq!(
            found.stretches[1],
            Stretch {
                stored: FIRST + 11,
                grid: FIRST + 12,
                length: 989
            }
        );
        assert_eq!(found.rate, 1.0);
    }

    #[test]
    fn faults_name_the_sample() {
        let message = |times: &[f64], resolution| {
            let (expected, found) = grid(times, resolution).unwrap_err();
            format!("expected {expected}, found {found}")
        };
        assert!(
            message(&[0.0, 1.0, 2.0, 1.5], 0.0)
                .starts_with("expected times that increase, found -0.5 from sample 2 to 3;")
        );
        assert!(message(&[0.0, 1.0, 1.0, 2.0], 0.0).contains("found 0 from sample 1 to 2"));
        assert!(message(&[0.0, 1.0, f64::NAN, 3.0], 0.0).contains("no number at sample 1 or 2"));
        assert!(message(&[0.0, 1.0, 2.0, 3.5, 4.5], 0.0).contains("found 1.5 from sample 2 to 3"));
        assert!(message(&[0.0], 0.0).contains("expected at least two times, found 1"));
        assert!(message(&[0.0, 1.0, 2.0, 3.0, 1e5], 0.0).contains("too many gaps by sample 4"));
    }

    #[test]
    fn whole_numbers_count_intervals_or_are_rounded() {
        // Hours by number, with gaps.
        let hours = [
            0.0, 1.0, 2.0, 4.0, 5.0, 6.0, 7.0, 9.0, 10.0, 15.0, 16.0, 17.0,
        ];
        let found = grid(&hours, 1.0).unwrap();
        assert_eq!(
            (found.rate, found.samples, found.stretches.len()),
            (1.0, 18, 4)
        );
        let threes = grid(&[0.0, 3.0, 6.0, 12.0], 1.0).unwrap();
        assert_eq!((threes.samples, threes.rate), (5, 1.0 / 3.0));
        // Times 1.3 and 2.6 apart, rounded to whole numbers, are no gaps.
        for step in [1.3, 2.6] {
            let rounded: Vec<f64> = (0..40).map(|i| (f64::from(i) * step).floor()).collect();
            let (expected, found) = grid(&rounded, 1.0).unwrap_err();
            assert_eq!(expected, "times that tell neighbours apart", "{found}");
        }
    }

    #[test]
    fn rates_are_as_short_as_the_times_allow() {
        // 1/3 to within 1 % needs two digits, 0.33; to within nothing all of them.
        assert_eq!(shortest(1.0 / 3.0, 0.011), 0.33);
        assert_eq!(shortest(1.0 / 3.0, 0.0), 1.0 / 3.0);
    }
}
