//! A plot before it is drawn: axes with units, series of points with intervals, marks; and its data as a table.

use std::fmt::Write;

/// Where the points of a series lie.
#[derive(Clone, Debug, PartialEq)]
pub enum Places {
    /// One place for each.
    Listed(Vec<f64>),
    /// The first, and the step from one to the next.
    Even {
        /// Place of the first point.
        start: f64,
        /// Distance to the next, positive.
        step: f64,
    },
}

impl Places {
    /// The place of a point; NaN beyond the last.
    pub fn at(&self, point: usize) -> f64 {
        match self {
            Places::Listed(all) => all.get(point).copied().unwrap_or(f64::NAN),
            Places::Even { start, step } => start + step * point as f64,
        }
    }
}

/// Points, in the units of the axes.
#[derive(Clone, Debug, PartialEq)]
pub struct Series {
    /// What they are.
    pub name: String,
    /// Where they are.
    pub places: Places,
    /// The values; NaN where there is none.
    pub values: Vec<f64>,
    /// Ends of their intervals; NaN where there is none.
    pub interval: Option<[Vec<f64>; 2]>,
    /// Whether a line joins them.
    pub line: bool,
    /// Whether each has a symbol.
    pub dots: bool,
    /// Samples behind each pair of values, of which they are the smallest and the largest; 1 where all are kept.
    pub stands_for: u64,
}

impl Series {
    /// Points with a symbol each.
    pub fn dots(name: impl Into<String>, places: Places, values: Vec<f64>) -> Self {
        Series {
            name: name.into(),
            places,
            values,
            interval: None,
            line: false,
            dots: true,
            stands_for: 1,
        }
    }

    /// A line without symbols.
    pub fn line(name: impl Into<String>, places: Places, values: Vec<f64>) -> Self {
        Series {
            line: true,
            dots: false,
            ..Series::dots(name, places, values)
        }
    }

    /// Places and values that can be shown.
    pub fn points(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        let all = self.values.iter().enumerate();
        all.map(|(k, y)| (self.places.at(k), *y))
            .filter(|(x, y)| x.is_finite() && y.is_finite())
    }
}

/// An axis.
#[derive(Clone, Debug, PartialEq, Default)]
pub struct Axis {
    /// What it is.
    pub label: String,
    /// Its unit; empty for a number.
    pub unit: String,
    /// Whether it is logarithmic.
    pub log: bool,
}

impl Axis {
    /// A linear axis.
    pub fn new(label: impl Into<String>, unit: impl Into<String>) -> Self {
        let unit: String = unit.into();
        Axis {
            label: label.into(),
            unit: if unit == "1" { String::new() } else { unit },
            log: false,
        }
    }

    /// The same axis, logarithmic.
    pub fn log(self) -> Self {
        Axis { log: true, ..self }
    }

    /// Label and unit as one text, `wavelength in nm` (SI brochure 2019, 5.4.1, lets either form stand).
    pub fn title(&self) -> String {
        match self.unit.as_str() {
            "" => self.label.clone(),
            unit => format!("{} in {unit}", self.label),
        }
    }
}

/// A place on the horizontal axis with a name.
#[derive(Clone, Debug, PartialEq)]
pub struct Mark {
    /// Where, in the unit of the axis.
    pub at: f64,
    /// What is there.
    pub label: String,
}

/// A plot.
#[derive(Clone, Debug, PartialEq)]
pub struct Plot {
    /// Its name in the page and in file names: letters, digits and hyphens.
    pub id: String,
    /// What is drawn.
    pub title: String,
    /// What it shows, for those who cannot see it, and as its caption.
    pub about: String,
    /// The horizontal axis.
    pub x: Axis,
    /// The vertical axis.
    pub y: Axis,
    /// The series, at most [`super::draw::STYLES`] of them told apart.
    pub series: Vec<Series>,
    /// Names along the horizontal axis.
    pub marks: Vec<Mark>,
    /// The range of the horizontal axis that is seen first; all of it where there is none.
    pub view: Option<[f64; 2]>,
}

impl Plot {
    /// Whether there is anything that can be drawn.
    pub fn is_empty(&self) -> bool {
        !self.series.iter().any(|s| s.points().next().is_some())
    }

    /// Numbers in it, which decide how large a page gets.
    pub fn numbers(&self) -> usize {
        let of = |s: &Series| {
            let listed = usize::from(matches!(s.places, Places::Listed(_)));
            let ends = 2 * usize::from(s.interval.is_some());
            s.values.len() * (1 + listed + ends)
        };
        self.series.iter().map(of).sum()
    }

    /// The data as comma-separated values, a row a point: series, place, value, ends of the interval.
    pub fn csv(&self) -> String {
        let quoted = |text: &str| format!("\"{}\"", text.replace('"', "\"\""));
        let mut out = format!(
            "series,{},{},low,high\n",
            quoted(&self.x.title()),
            quoted(&self.y.title())
        );
        let number = |x: f64| match x.is_finite() {
            true => format!("{x:?}"),
            false => String::new(),
        };
        for series in &self.series {
            let name = quoted(&series.name);
            for (k, value) in series.values.iter().enumerate() {
                let ends = series.interval.as_ref().map_or([f64::NAN; 2], |ends| {
                    [0, 1].map(|e| ends[e].get(k).copied().unwrap_or(f64::NAN))
                });
                let _ = writeln!(
                    out,
                    "{name},{},{},{},{}",
                    number(series.places.at(k)),
                    number(*value),
                    number(ends[0]),
                    number(ends[1])
                );
            }
        }
        out
    }
}

/// Gathers a stream of evenly spaced samples into at most so many values: all of them, or of every so many the
/// smallest and the largest, in the order in which they came.
pub struct Thinner {
    values: Vec<f64>,
    stands_for: u64,
    held: u64,
    low: (u64, f64),
    high: (u64, f64),
}

impl Thinner {
    /// For so many samples into at most `most` values.
    pub fn new(samples: u64, most: usize) -> Self {
        let pairs = (most as u64 / 2).max(1);
        let stands_for = match samples <= most as u64 {
            true => 1,
            false => samples.div_ceil(pairs),
        };
        Thinner {
            values: Vec::new(),
            stands_for,
            held: 0,
            low: (0, f64::NAN),
            high: (0, f64::NAN),
        }
    }

    /// Takes the next samples; NaN where one is missing.
    pub fn push(&mut self, samples: &[f64]) {
        if self.stands_for == 1 {
            self.values.extend_from_slice(samples);
            return;
        }
        for &x in samples {
            if x.is_finite() {
                if self.low.1.is_nan() || x < self.low.1 {
                    self.low = (self.held, x);
                }
                if self.high.1.is_nan() || x > self.high.1 {
                    self.high = (self.held, x);
                }
            }
            self.held += 1;
            if self.held == self.stands_for {
                self.flush();
            }
        }
    }

    fn flush(&mut self) {
        let pair = match self.low.0 <= self.high.0 {
            true => [self.low.1, self.high.1],
            false => [self.high.1, self.low.1],
        };
        self.values.extend(pair);
        self.held = 0;
        self.low = (0, f64::NAN);
        self.high = (0, f64::NAN);
    }

    /// The series, its samples a step apart.
    pub fn finish(mut self, name: impl Into<String>, start: f64, step: f64) -> Series {
        if self.held > 0 {
            self.flush();
        }
        let places = match self.stands_for {
            1 => Places::Even { start, step },
            // The two values of a pair lie a quarter and three quarters into what they stand for.
            n => Places::Even {
                start: start + 0.25 * n as f64 * step,
                step: 0.5 * n as f64 * step,
            },
        };
        Series {
            stands_for: self.stands_for,
            ..Series::line(name, places, self.values)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn few_samples_are_kept_and_many_keep_their_extremes_in_order() {
        let samples: Vec<f64> = (0..10).map(f64::from).collect();
        let mut all = Thinner::new(10, 10);
        all.push(&samples[..3]);
        all.push(&samples[3..]);
        assert_eq!(all.finish("x", 0.0, 0.5).values, samples);
        let mut few = Thinner::new(9, 4);
        few.push(&[1.0, 9.0, -2.0, 0.0, 5.0]);
        few.push(&[4.0, f64::NAN, 7.0, 3.0]);
        let series = few.finish("x", 0.0, 1.0);
        assert_eq!(series.stands_for, 5);
        assert_eq!(series.values, [9.0, -2.0, 7.0, 3.0]);
        assert_eq!(
            series.places,
            Places::Even {
                start: 1.25,
                step: 2.5
            }
        );
    }

    /// What is missing throughout is missing, and not zero.
    #[test]
    fn a_gap_stays_a_gap() {
        let mut few = Thinner::new(8, 4);
        few.push(&[f64::NAN; 4]);
        few.push(&[1.0, 2.0, 3.0, 4.0]);
        let values = few.finish("x", 0.0, 1.0).values;
        assert!(values[0].is_nan() && values[1].is_nan());
        assert_eq!(values[2..], [1.0, 4.0]);
    }

    #[test]
    fn a_table_has_a_row_for_each_point() {
        let mut series = Series::dots(
            "a \"b\"",
            Places::Listed(vec![1.0, 2.5]),
            vec![1e-9, f64::NAN],
        );
        series.interval = Some([vec![0.0, f64::NAN], vec![2e-9, f64::NAN]]);
        let plot = Plot {
            id: "p".into(),
            title: String::new(),
            about: String::new(),
            x: Axis::new("wavelength", "nm"),
            y: Axis::new("ratio", "1"),
            series: vec![series],
            marks: Vec::new(),
            view: None,
        };
        let expected = "series,\"wavelength in nm\",\"ratio\",low,high\n\
                        \"a \"\"b\"\"\",1.0,1e-9,0.0,2e-9\n\"a \"\"b\"\"\",2.5,,,\n";
        assert_eq!(plot.csv(), expected);
    }
}
