//! What a comparison comes to, in sentences, and the chain that fits a need.

use super::judge::STANDS_OUT;
use super::report::{Chain, Comparison, Difference, Largest, Need, Recommendation};
use crate::statistics::{SMALLEST, too_good};
use crate::units::{Unit, format_quantity, format_uncertain};

/// Probability below which chains are said to differ, and that below which they are doubted.
pub(super) const DIFFERS: f64 = 0.01;
const IN_DOUBT: f64 = 0.05;

/// Writes the verdicts of all chains, and the recommendation where a need is stated.
pub(super) fn judge(comparison: &mut Comparison, need: Option<(Need, &Unit)>) {
    let names: Vec<String> = comparison.chains.iter().map(|c| c.name.clone()).collect();
    for k in 1..comparison.chains.len() {
        comparison.chains[k].verdict = comparison.verdict(k, &names);
    }
    comparison.recommended = need.map(|(need, unit)| recommend(comparison, need, unit));
}

impl Chain {
    /// The point at which a part of the difference to the base is largest against its standard uncertainty, and by
    /// how many of these.
    pub fn most_apart(&self) -> Option<(usize, f64)> {
        let score = |d: &Difference| {
            let u = d.u?;
            let parts = (0..2).filter(|k| u[*k] > 0.0);
            parts.map(|k| (d.value[k] / u[k]).abs()).reduce(f64::max)
        };
        let there = self.differences.iter().enumerate();
        let scores = there.filter_map(|(p, d)| Some((p, score(d.as_ref()?)?)));
        scores.fold(None, |most: Option<(usize, f64)>, one| match most {
            Some(m) if m.1 >= one.1 => Some(m),
            _ => Some(one),
        })
    }
}

impl Comparison {
    /// The place of a point, in words.
    pub fn place(&self, point: usize) -> String {
        match (self.axis.values.get(point), self.axis.unit.as_str()) {
            (Some(x), "") => format!("{} {x}", self.axis.name),
            (Some(x), unit) => format!("{x} {unit}"),
            (None, _) => format!("point {point}"),
        }
    }

    /// A number in the unit of the result.
    pub fn shown(&self, x: f64, digits: usize) -> String {
        let unit = Unit::parse(&self.unit).unwrap_or_else(|_| Unit::one());
        format_quantity(x * unit.si_factor(), &unit, digits)
    }

    /// A number with its standard uncertainty, in the unit of the result.
    pub fn shown_uncertain(&self, x: f64, u: Option<f64>) -> String {
        let unit = Unit::parse(&self.unit).unwrap_or_else(|_| Unit::one());
        let factor = unit.si_factor();
        match u.filter(|u| *u > 0.0) {
            Some(u) => format_uncertain(x * factor, u * factor, &unit),
            None => format_quantity(x * factor, &unit, 5),
        }
    }

    fn verdict(&self, k: usize, names: &[String]) -> String {
        let chain = &self.chains[k];
        if let Some(same) = chain.same_as {
            return format!("does exactly what `{}` does", names[same]);
        }
        let mut text = match &chain.agreement {
            Some(a) => {
                let what = match a.p {
                    p if p < DIFFERS => "differs from the base",
                    p if p < IN_DOUBT => "may differ from the base",
                    p if too_good(p, a.degrees_of_freedom as f64) => {
                        "agrees with the base closer than chance does in one of 1000, so that the uncertainties may be overstated"
                    }
                    _ => "agrees with the base",
                };
                format!(
                    "{what} (chi-square {:.1} of {}, p = {})",
                    a.chi_square,
                    a.degrees_of_freedom,
                    probability(a.p)
                )
            }
            None if chain.differences.iter().flatten().count() == 0 => "no point to compare".into(),
            None => format!(
                "whether it agrees cannot be told: {}",
                chain.agreement_not_known
            ),
        };
        if let Some((point, score)) = chain.most_apart()
            && let Some(Some(d)) = chain.differences.get(point)
        {
            text += &format!(
                "; farthest apart at {}, by {} in amplitude ({score:.1} u)",
                self.place(point),
                self.shown_uncertain(d.amplitude, d.amplitude_u)
            );
        }
        if let Some(largest) = &chain.largest {
            text += &self.peak(largest);
        }
        text
    }

    fn peak(&self, largest: &Largest) -> String {
        let place = self.place(largest.point);
        let percent = |x: f64| format!("{:+.2} %", 100.0 * x);
        let change = match largest.change {
            Some((change, Some(u))) => format!(", {} (u {:.2} %)", percent(change), 100.0 * u),
            Some((change, None)) => format!(", {}", percent(change)),
            None => String::new(),
        };
        let base = self.chains.first().and_then(|c| c.largest);
        match (largest.still_there, base) {
            (Some(true), Some(base)) if base.point == largest.point => {
                format!("; the peak is still there, at {place}{change}")
            }
            (Some(true), _) => {
                format!("; the peak is still there, one point on, at {place}{change}")
            }
            (Some(false), Some(base)) if base.point.abs_diff(largest.point) > 1 => {
                format!("; the peak is not there: the largest point is at {place}{change}")
            }
            (Some(false), _) => format!(
                "; the peak is not there: it exceeds the median by less than {STANDS_OUT} of its uncertainty{change}"
            ),
            (None, _) => String::new(),
        }
    }
}

/// A probability, not more exact than anybody needs.
fn probability(p: f64) -> String {
    match p {
        p if p <= SMALLEST => format!("{SMALLEST:.0e} or less"),
        p if p < 1e-4 => format!("{p:.0e}"),
        p if p > 0.999 => "0.999 or more".into(),
        p => format!("{p:.3}"),
    }
}

/// Seconds, shortly.
fn seconds(t: f64) -> String {
    format_quantity(t, &Unit::second(), 3)
}

fn recommend(comparison: &Comparison, need: Need, unit: &Unit) -> Recommendation {
    let factor = unit.si_factor();
    let known: Vec<(usize, f64, f64)> = comparison
        .chains
        .iter()
        .enumerate()
        .filter(|(_, c)| c.same_as.is_none())
        .filter_map(|(k, c)| Some((k, c.settles()?, c.noise?)))
        .collect();
    let noise = |u: f64| comparison.shown(u, 3);
    let name = |k: usize| &comparison.chains[k].name;
    let least = |list: &[(usize, f64, f64)], of: fn(&(usize, f64, f64)) -> (f64, f64)| {
        let mut best: Option<(usize, f64, f64)> = None;
        for one in list {
            if best.is_none_or(|b| of(one) < of(&b)) {
                best = Some(*one);
            }
        }
        best
    };
    let by_noise = |c: &(usize, f64, f64)| (c.2, c.1);
    let by_time = |c: &(usize, f64, f64)| (c.1, c.2);
    if known.is_empty() {
        return Recommendation {
            chain: None,
            reason: "nothing is recommended: of no chain both settling time and noise are known"
                .into(),
        };
    }
    let none = |what: String, nearest: Option<(usize, f64, f64)>| {
        let nearest = nearest.map_or(String::new(), |(k, t, u)| {
            format!(
                "; `{}` comes nearest, with {} and a noise of {}",
                name(k),
                seconds(t),
                noise(u)
            )
        });
        Recommendation {
            chain: None,
            reason: format!("no chain {what}{nearest}"),
        }
    };
    let count = comparison.chains.len();
    let (found, within, all) = match need {
        Need::LargestSettling(limit) => {
            let within: Vec<_> = known.iter().copied().filter(|c| c.1 <= limit).collect();
            if within.is_empty() {
                return none(
                    format!("settles to 1 % within {}", seconds(limit)),
                    least(&known, by_time),
                );
            }
            let what = format!("that settle to 1 % within {}", seconds(limit));
            (
                least(&within, by_noise),
                format!("{what} it has the least noise"),
                format!("{} of {count} do", within.len()),
            )
        }
        Need::LargestNoise(limit) => {
            let within: Vec<_> = known
                .iter()
                .copied()
                .filter(|c| c.2 * factor <= limit)
                .collect();
            let shown = format_quantity(limit, unit, 3);
            if within.is_empty() {
                return none(
                    format!("has a noise of at most {shown}"),
                    least(&known, by_noise),
                );
            }
            let what = format!("whose noise is at most {shown}");
            (
                least(&within, by_time),
                format!("{what} it settles first"),
                format!("{} of {count} do", within.len()),
            )
        }
        Need::LeastNoise => {
            let what = "whose noise and settling are known it has the least noise".to_owned();
            (
                least(&known, by_noise),
                what,
                format!("{} of {count} are", known.len()),
            )
        }
    };
    let Some((k, t, u)) = found else {
        return none("fits".into(), None);
    };
    let chain: &Chain = &comparison.chains[k];
    let warning = match chain.agreement {
        Some(a) if a.p < DIFFERS => format!(
            "; but it differs from the base by more than the uncertainties of both explain (p = {}), so that one of the two is wrong",
            probability(a.p)
        ),
        _ => String::new(),
    };
    Recommendation {
        chain: Some(k),
        reason: format!(
            "`{}` is recommended: of the chains {within}, {} ({all}); it settles in {}{warning}",
            chain.name,
            noise(u),
            seconds(t)
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn comparison() -> Comparison {
        let chain = |name: &str, settling: f64, noise: f64| Chain {
            name: name.into(),
            settling: vec![(0.01, Some(settling))],
            noise: Some(noise),
            ..Chain::default()
        };
        Comparison {
            unit: "mV".into(),
            chains: vec![
                chain("base", 1.0, 2.0),
                chain("slow", 3.0, 1.0),
                chain("fast", 0.1, 4.0),
            ],
            ..Comparison::default()
        }
    }

    #[test]
    fn a_need_finds_the_chain_that_fits_best() {
        let comparison = comparison();
        let milli = Unit::parse("mV").expect("a unit");
        for (need, chain) in [
            (Need::LargestSettling(1.0), Some(0)),
            (Need::LargestSettling(0.5), Some(2)),
            (Need::LargestSettling(0.05), None),
            (Need::LargestNoise(2e-3), Some(0)),
            (Need::LargestNoise(9e-4), None),
            (Need::LeastNoise, Some(1)),
        ] {
            let found = recommend(&comparison, need, &milli);
            assert_eq!(found.chain, chain, "{need:?}: {}", found.reason);
        }
        let reason = recommend(&comparison, Need::LargestSettling(0.05), &milli).reason;
        assert!(
            reason.contains("`fast` comes nearest, with 100 ms"),
            "{reason}"
        );
    }
}
