//! What a line may be: a harmonic of a reference or of the mains, their sums and differences, or one of
//! these folded by sampling.
//!
//! A name is given where the frequencies agree within their uncertainty and half a bin, and only as long as
//! the names of its kind would fit less than a twentieth of the spectrum, and of the way from one harmonic
//! to the next; the first harmonics are likelier, and get a fifth. The simplest kind comes first.

use std::fmt;

use super::Spectrum;
use super::lines::Line;

/// Nominal frequencies of the mains in Hz.
const NOMINAL: [f64; 2] = [50.0, 60.0];

/// Relative distance from the nominal frequency within which the mains are looked for. Grids are run within
/// ±0.4 % in normal operation, and clocks of converters add little (common practice, no source).
const WANDER: f64 = 0.005;

/// Multiples of the mains that decide which mains they are.
const DECIDING: u32 = 12;

/// Multiples of the mains that are named.
const MAINS: u32 = 100;

/// Harmonics of a reference that are named; a square has many.
const HARMONICS: u32 = 300;

/// Most that the names of one kind may cover of the spectrum.
const COVERED: f64 = 0.05;

/// Most that the first so many harmonics may cover of the way from one to the next.
const CROWDED: f64 = 0.2;
const FIRST: u32 = 5;

/// Uncertainty of a line's frequency, in bins, that is granted to mains that wander.
const GRANTED: f64 = 0.02;

/// A reference that lines may come from.
#[derive(Clone, Debug, PartialEq)]
pub struct Known {
    /// Its name.
    pub name: String,
    /// Frequency in Hz.
    pub frequency: f64,
    /// Its standard uncertainty in Hz.
    pub frequency_u: f64,
    /// How far off a line of it may be, in Hz, since it ran at several frequencies in turn.
    pub wander: f64,
}

/// The mains as the lines show them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Mains {
    /// 50 Hz or 60 Hz.
    pub nominal: f64,
    /// Frequency in Hz.
    pub frequency: f64,
    /// Its standard uncertainty in Hz.
    pub frequency_u: f64,
    /// Lines that told it.
    pub lines: usize,
}

/// What a line may be.
#[derive(Clone, Debug, PartialEq)]
pub enum Origin {
    /// Harmonic `n` of a reference.
    Reference {
        /// The reference.
        name: String,
        /// Which harmonic.
        n: u32,
        /// Whether it lies above half the sample rate and is seen at its image.
        folded: bool,
    },
    /// Harmonic `n` of the mains.
    Mains {
        /// Nominal frequency in Hz.
        nominal: f64,
        /// Which harmonic.
        n: u32,
        /// As above.
        folded: bool,
    },
    /// Sum or difference of harmonic `n` of one frequency and harmonic `m` of another.
    Mixed {
        /// The first.
        first: String,
        /// Its harmonic.
        n: u32,
        /// The second.
        second: String,
        /// Its harmonic.
        m: u32,
        /// Whether it is the sum.
        sum: bool,
    },
}

impl fmt::Display for Origin {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let fold = |folded: &bool| if *folded { ", folded by sampling" } else { "" };
        match self {
            Origin::Reference { name, n, folded } => {
                write!(f, "{} `{name}`{}", of(*n), fold(folded))
            }
            Origin::Mains { nominal, n, folded } => {
                write!(f, "{} {nominal} Hz mains{}", of(*n), fold(folded))
            }
            Origin::Mixed {
                first,
                n,
                second,
                m,
                sum,
            } => {
                let sign = if *sum { "plus" } else { "minus" };
                write!(f, "{} {first} {sign} {} {second}", of(*n), of(*m))
            }
        }
    }
}

/// "1st harmonic of".
fn of(n: u32) -> String {
    let ending = match (n % 100, n % 10) {
        (11..=13, _) => "th",
        (_, 1) => "st",
        (_, 2) => "nd",
        (_, 3) => "rd",
        _ => "th",
    };
    format!("{n}{ending} harmonic of")
}

/// Where a frequency is seen at a sample rate, both in Hz.
fn seen(frequency: f64, rate: f64) -> f64 {
    (frequency - rate * (frequency / rate).round()).abs()
}

/// Which mains there are in the lines that no reference explains, if any.
///
/// Every line proposes the frequencies of which it may be a multiple up to the twelfth. The one that most lines
/// agree with counts; lower multiples count for more, and the first alone is enough.
pub fn mains(spectrum: &Spectrum, references: &[Known]) -> Option<Mains> {
    let free: Vec<&Line> = spectrum
        .lines
        .iter()
        .filter(|line| of_references(line, spectrum, references, 20).is_none())
        .collect();
    let mut best: Option<(f64, Mains)> = None;
    for nominal in NOMINAL {
        let proposals = free
            .iter()
            .flat_map(|line| multiples(line, nominal, spectrum));
        for (_, proposed) in proposals {
            let mut all: Vec<(u32, f64, f64)> = Vec::new();
            for n in 1..=DECIDING {
                let near = free.iter().filter_map(|line| {
                    let found = multiples(line, nominal, spectrum).find(|(k, _)| *k == n)?;
                    let u = line.frequency_u.max(GRANTED * spectrum.resolution) / f64::from(n);
                    let off = (found.1 - proposed).abs();
                    let agrees = off <= 4.0 * u + 0.5 * spectrum.resolution / f64::from(n);
                    agrees.then_some((n, found.1, u))
                });
                all.extend(
                    near.min_by(|a, b| (a.1 - proposed).abs().total_cmp(&(b.1 - proposed).abs())),
                );
            }
            let score: f64 = all.iter().map(|(n, ..)| 1.0 / f64::from(*n)).sum();
            // Two higher multiples may be chance, three hardly; the first is told at once.
            let first = all.iter().any(|(n, ..)| *n == 1);
            if !first && all.len() < 3 || best.as_ref().is_some_and(|(s, _)| *s >= score) {
                continue;
            }
            let weight: f64 = all.iter().map(|(.., u)| 1.0 / (u * u)).sum();
            let mean = all.iter().map(|(_, f, u)| f / (u * u)).sum::<f64>() / weight;
            let found = Mains {
                nominal,
                frequency: mean,
                frequency_u: 1.0 / weight.sqrt(),
                lines: all.len(),
            };
            best = Some((score, found));
        }
    }
    best.map(|(_, mains)| mains)
}

/// The frequencies of mains of which a line may be a multiple, perhaps a folded one.
fn multiples(line: &Line, nominal: f64, spectrum: &Spectrum) -> impl Iterator<Item = (u32, f64)> {
    let (rate, f, resolution) = (spectrum.rate, line.frequency, spectrum.resolution);
    (1..=DECIDING).filter_map(move |n| {
        let whole = (nominal * f64::from(n) / rate).round() * rate;
        // What may wander over much of the spectrum tells nothing once it is folded.
        let tells = whole == 0.0 || WANDER * nominal * f64::from(n) < COVERED * 0.5 * rate;
        let side = if nominal * f64::from(n) < whole {
            -f
        } else {
            f
        };
        let own = (whole + side) / f64::from(n);
        let limit = WANDER * nominal + 0.5 * resolution / f64::from(n);
        (tells && (own - nominal).abs() <= limit).then_some((n, own))
    })
}

/// What a line may be, the simplest first.
pub fn origins(
    line: &Line,
    spectrum: &Spectrum,
    references: &[Known],
    mains: Option<Mains>,
) -> Vec<Origin> {
    let mut all: Vec<Origin> = Vec::new();
    all.extend(of_references(line, spectrum, references, 20));
    let hum = mains.and_then(|mains| {
        let known = Known {
            name: String::new(),
            frequency: mains.frequency,
            frequency_u: mains.frequency_u,
            wander: 0.0,
        };
        let (n, folded) = harmonic(line, spectrum, &known, MAINS)?;
        let nominal = mains.nominal;
        Some(Origin::Mains { nominal, n, folded })
    });
    all.extend(hum);
    if all.is_empty() {
        all.extend(mixed(line, spectrum, references, mains));
    }
    if all.is_empty() {
        all.extend(of_references(line, spectrum, references, HARMONICS));
    }
    all
}

/// The lowest harmonic of a reference, up to one number, that a line may be.
fn of_references(
    line: &Line,
    spectrum: &Spectrum,
    references: &[Known],
    most: u32,
) -> Option<Origin> {
    let found = references.iter().filter_map(|known| {
        let (n, folded) = harmonic(line, spectrum, known, most)?;
        let name = known.name.clone();
        Some((n, Origin::Reference { name, n, folded }))
    });
    found.min_by_key(|(n, _)| *n).map(|(_, origin)| origin)
}

/// The lowest harmonic of a frequency that a line may be, and whether it is folded.
fn harmonic(line: &Line, spectrum: &Spectrum, known: &Known, most: u32) -> Option<(u32, bool)> {
    let end = 0.5 * spectrum.rate;
    // How much of the spectrum the harmonics up to one cover, as far as they are looked for.
    let mut covered = 0.0;
    for n in 1..=most {
        let (f, reach) = (
            known.frequency * f64::from(n),
            reach(line, spectrum, known, n),
        );
        covered += 2.0 * reach / end;
        let part = if n > FIRST { COVERED } else { CROWDED };
        let crowded = 2.0 * reach > part * known.frequency;
        if n > 1 && (covered > COVERED || crowded) {
            return None;
        }
        if (seen(f, spectrum.rate) - line.frequency).abs() <= reach {
            return Some((n, f > end));
        }
    }
    None
}

/// How far from a harmonic a line may be, in Hz.
fn reach(line: &Line, spectrum: &Spectrum, known: &Known, n: u32) -> f64 {
    let own = 0.5 * spectrum.resolution + f64::from(n) * known.wander;
    let uncertain = libm::hypot(line.frequency_u, f64::from(n) * known.frequency_u);
    4.0 * uncertain + if line.broad { own.max(line.width) } else { own }
}

/// The simplest sum or difference that a line may be: of a reference and the mains, or of two references.
fn mixed(
    line: &Line,
    spectrum: &Spectrum,
    references: &[Known],
    mains: Option<Mains>,
) -> Option<Origin> {
    let mut all: Vec<Known> = references
        .iter()
        .map(|r| Known {
            name: format!("`{}`", r.name),
            ..r.clone()
        })
        .collect();
    all.extend(mains.map(|m| Known {
        name: format!("{} Hz mains", m.nominal),
        frequency: m.frequency,
        frequency_u: m.frequency_u,
        wander: 0.0,
    }));
    let end = 0.5 * spectrum.rate;
    let mut covered = 0.0;
    for order in 2..=6u32 {
        for (i, a) in all.iter().enumerate() {
            for b in &all[i + 1..] {
                for n in 1..order {
                    let m = order - n;
                    let reach = reach(line, spectrum, a, n).max(reach(line, spectrum, b, m));
                    let (fa, fb) = (a.frequency * f64::from(n), b.frequency * f64::from(m));
                    covered += 4.0 * reach / end;
                    if covered > COVERED {
                        return None;
                    }
                    for (f, sum) in [((fa - fb).abs(), false), (fa + fb, true)] {
                        if f < end && (f - line.frequency).abs() <= reach {
                            // A difference is told as the larger less the smaller.
                            let swap = !sum && fb > fa;
                            let ((x, n), (y, m)) = if swap {
                                ((b, m), (a, n))
                            } else {
                                ((a, n), (b, m))
                            };
                            return Some(Origin::Mixed {
                                first: x.name.clone(),
                                n,
                                second: y.name.clone(),
                                m,
                                sum,
                            });
                        }
                    }
                }
            }
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ordinals_are_those_of_the_language() {
        let shown: Vec<String> = [1, 2, 3, 4, 11, 12, 13, 21, 101, 112].map(of).into();
        assert_eq!(
            shown.join(" ").replace(" harmonic of", ""),
            "1st 2nd 3rd 4th 11th 12th 13th 21st 101st 112th"
        );
    }

    /// 7 kHz at 10 kHz is seen at 3 kHz, and 23 kHz as well, by hand.
    #[test]
    fn folding_is_that_of_sampling() {
        for (f, at) in [(3e3, 3e3), (7e3, 3e3), (23e3, 3e3), (5e3, 5e3), (10e3, 0.0)] {
            assert_eq!(seen(f, 10e3), at);
        }
    }
}
