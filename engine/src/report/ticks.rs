//! Ends and ticks of an axis.

use super::plot::Axis;

/// Smallest span of an axis, against the size of what lies on it.
const NARROWEST: f64 = 1e-12;

/// An axis with its ends, in drawing units.
#[derive(Clone, Debug, PartialEq)]
pub struct Scale {
    log: bool,
    /// Values at the ends, or their powers of ten.
    ends: [f64; 2],
    /// Where the ends are drawn.
    drawn: [f64; 2],
}

impl Scale {
    /// The scale that holds all values; `pad` is the part of the span that is left free at either end. `None`
    /// where no value can be shown.
    pub fn new(
        axis: &Axis,
        values: impl Iterator<Item = f64>,
        pad: f64,
        drawn: [f64; 2],
    ) -> Option<Scale> {
        let value = |x: f64| if axis.log { libm::log10(x) } else { x };
        let usable = values.map(value).filter(|x| x.is_finite());
        let [low, high] = usable.fold([f64::INFINITY, f64::NEG_INFINITY], |[a, b], x| {
            [a.min(x), b.max(x)]
        });
        if low > high {
            return None;
        }
        let size = low.abs().max(high.abs());
        let half = match high - low > NARROWEST * size {
            true => pad * (high - low),
            false if size == 0.0 || axis.log => 1.0,
            false => 0.1 * size,
        };
        Some(Scale {
            log: axis.log,
            ends: [low - half, high + half],
            drawn,
        })
    }

    /// Where a value is drawn; not finite where it cannot be.
    pub fn at(&self, value: f64) -> f64 {
        let value = if self.log { libm::log10(value) } else { value };
        let part = (value - self.ends[0]) / (self.ends[1] - self.ends[0]);
        self.drawn[0] + (self.drawn[1] - self.drawn[0]) * part
    }

    /// Ticks with their labels, about `count` of them.
    pub fn ticks(&self, count: usize) -> Vec<(f64, String)> {
        let [low, high] = self.ends;
        let step = if self.log {
            nice((high - low) / count as f64).max(1.0).round()
        } else {
            nice((high - low) / count as f64)
        };
        if self.log && high - low < 2.2 {
            let decades = low.floor() as i32..=high.ceil() as i32;
            let all = decades.flat_map(|d| [1.0, 2.0, 5.0].map(|m| m * libm::exp10(f64::from(d))));
            let inside = all.filter(|v| (low..=high).contains(&libm::log10(*v)));
            return inside.map(|v| (v, plain(v, 1e-3 * v))).collect();
        }
        let first = (low / step - 1e-9).ceil() as i64;
        let last = (high / step + 1e-9).floor() as i64;
        let each = |k: i64| {
            let value = k as f64 * step;
            match self.log {
                true => (libm::exp10(value), power(value as i32)),
                false => (value, plain(value, step)),
            }
        };
        (first..=last).map(each).collect()
    }
}

/// 1, 2 or 5 times a power of ten, at or above a number.
fn nice(x: f64) -> f64 {
    let decade = libm::exp10(libm::log10(x).floor());
    let fits = [1.0, 2.0, 5.0]
        .into_iter()
        .find(|m| m * decade >= x * (1.0 - 1e-9));
    fits.unwrap_or(10.0) * decade
}

/// A number with the digits that a step needs.
fn plain(value: f64, step: f64) -> String {
    let places = -libm::log10(step).floor();
    let text = match value {
        v if v.abs() < 1e-9 * step => "0".to_owned(),
        v if v.abs() >= 1e6 || v.abs() < 1e-4 => {
            let digits = (libm::log10(v.abs()).floor() + places).clamp(0.0, 12.0);
            format!("{v:.*e}", digits as usize)
        }
        v => format!("{v:.*}", places.clamp(0.0, 12.0) as usize),
    };
    let text = match text.contains('.') && !text.contains('e') {
        true => text.trim_end_matches('0').trim_end_matches('.'),
        false => &text,
    };
    text.replace('-', "\u{2212}")
}

/// A power of ten as one writes it: 10⁻³.
fn power(exponent: i32) -> String {
    let raised = |c: char| match c {
        '-' => '\u{207b}',
        '1' => '\u{b9}',
        '2' => '\u{b2}',
        '3' => '\u{b3}',
        digit => char::from_u32(0x2070 + digit.to_digit(10).unwrap_or(0)).unwrap_or(digit),
    };
    match exponent {
        0 => "1".into(),
        1 => "10".into(),
        e => format!(
            "10{}",
            e.to_string().chars().map(raised).collect::<String>()
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn labels(log: bool, values: [f64; 2], pad: f64) -> Vec<String> {
        let axis = Axis {
            log,
            ..Axis::default()
        };
        let scale = Scale::new(&axis, values.into_iter(), pad, [0.0, 100.0]).unwrap();
        scale.ticks(5).into_iter().map(|(_, label)| label).collect()
    }

    #[test]
    fn ticks_are_round_and_inside() {
        assert_eq!(
            labels(false, [400.0, 700.0], 0.0),
            ["400", "500", "600", "700"]
        );
        assert_eq!(
            labels(false, [-0.1, 0.11], 0.0),
            ["−0.1", "−0.05", "0", "0.05", "0.1"]
        );
        assert_eq!(labels(true, [0.001, 1000.0], 0.0), ["10⁻²", "1", "10²"]);
        assert_eq!(labels(true, [0.15, 1.0], 0.0), ["0.2", "0.5", "1"]);
        assert_eq!(
            labels(false, [1.0, 1.0], 0.05),
            ["0.9", "0.95", "1", "1.05", "1.1"]
        );
        assert_eq!(labels(false, [2e9, 4e9], 0.0).first().unwrap(), "2.0e9");
    }

    #[test]
    fn nothing_has_no_scale() {
        let log = Axis::default().log();
        assert_eq!(
            Scale::new(&log, [0.0, -1.0].into_iter(), 0.0, [0.0, 1.0]),
            None
        );
    }
}
