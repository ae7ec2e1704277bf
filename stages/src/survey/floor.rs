//! The density of the noise between the lines: a smooth curve, and the white and 1/f noise it is made of.

use super::{FIRST_BIN, Scatter};
use crate::math::lsq::LeastSquares;
use crate::math::spectral::Density;

/// Relative width of a band whose median is taken.
const WIDTH: f64 = 0.15;

/// Fewest bins of such a band, where there are enough of them.
const FEWEST: usize = 32;

/// Relative error that the model itself is granted, so that the many bins of the highest frequencies do
/// not decide alone.
const MODEL: f64 = 0.03;

/// Deviation in standard deviations beyond which a band counts no more.
const FAR: f64 = 4.0;

/// Gain in the sum of squares that shows 1/f noise: with two more unknowns chance gives as much once in
/// 20 000 times (χ² with 2 degrees of freedom).
const SHOWN: f64 = 20.0;

/// Bins from one place of the floor to the next, and bins to either side whose median it is: at least at
/// the lowest frequencies, and at most.
const STEP: (usize, usize) = (8, 32);
const REACH: (usize, usize) = (16, 64);

/// Corners, and exponents, from which the fit starts.
const PLACES: u32 = 24;
const EXPONENTS: [f64; 7] = [0.4, 0.7, 1.0, 1.4, 2.0, 2.8, 3.8];

/// Most steps that the fit takes from there; where it would take more, the data do not tell.
const MOST_STEPS: usize = 400;

/// A number with its standard uncertainty.
pub type Uncertain = (f64, f64);

/// White noise and 1/f noise: S(f) = W·(1 + (corner/f)^exponent), as power densities.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Noise {
    /// W in the square of the samples' unit per Hz; `None` where the density falls throughout.
    pub white: Option<Uncertain>,
    /// Frequency in Hz at which 1/f noise equals the white; `None` where it is not seen.
    pub corner: Option<Uncertain>,
    /// The exponent; `None` where no 1/f noise is seen.
    pub exponent: Option<Uncertain>,
    /// Root mean square deviation of the bands from the model, as a ratio of densities less 1.
    pub misfit: f64,
    model: Model,
}

/// ln S = level + ln(1 + (corner/f)^exponent), or level - exponent·ln f.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Model {
    level: f64,
    corner: f64,
    exponent: f64,
}

impl Model {
    fn rise(&self, f: f64) -> f64 {
        if self.corner == 0.0 {
            return 0.0;
        }
        libm::pow(self.corner / f, self.exponent)
    }

    fn ln_density(&self, f: f64) -> f64 {
        self.level + libm::log1p(self.rise(f))
    }
}

struct Band {
    f: f64,
    ln_density: f64,
    /// Weight of its logarithm.
    weight: f64,
}

impl Noise {
    /// Fits the medians of bands; `mask` marks bins that hold lines.
    pub fn fit(density: &Density, mask: &[bool], scatter: &Scatter) -> Noise {
        let bands = bands(density, mask, scatter);
        let (Some(first), Some(last)) = (bands.first(), bands.last()) else {
            return Noise::default();
        };
        let flat = levelled(&bands, 0.0, 1.0);
        if bands.len() < 5 {
            return Noise::white(&bands, flat.1);
        }
        let mut best = flat;
        let (low, high) = (first.f, last.f);
        for place in 0..=PLACES {
            let part = f64::from(place) / f64::from(PLACES);
            let corner = 0.3 * low * libm::pow(10.0 * high / low, part);
            for exponent in EXPONENTS {
                let found = levelled(&bands, corner, exponent);
                if found.0 < best.0 {
                    best = found;
                }
            }
        }
        best = refined(&bands, best);
        let model = best.1;
        if flat.0 - best.0 < SHOWN || model.rise(low) < 0.5 {
            return Noise::white(&bands, flat.1);
        }
        Noise::coloured(&bands, model, model.corner > 0.3 * high)
    }

    fn white(bands: &[Band], model: Model) -> Noise {
        let weight: f64 = bands.iter().map(|b| b.weight).sum();
        let misfit = misfit(bands, model);
        let spread = (1.0 / weight).max(misfit * misfit / bands.len() as f64);
        let level = libm::exp(model.level);
        Noise {
            white: Some((level, level * spread.sqrt())),
            corner: None,
            exponent: None,
            misfit,
            model,
        }
    }

    /// Both, with the uncertainties of the linearised fit; `steep` where no white noise is seen.
    fn coloured(bands: &[Band], model: Model, steep: bool) -> Noise {
        let misfit = misfit(bands, model);
        let mut noise = Noise {
            misfit,
            model,
            ..Noise::default()
        };
        let near: Vec<&Band> = bands.iter().filter(|b| counts(b, model)).collect();
        // Without a white level the corner is none either: level and exponent are all there is.
        let solved = LeastSquares::new(if steep { 2 } else { 3 }).and_then(|mut squares| {
            for band in &near {
                let (rise, root) = (model.rise(band.f), band.weight.sqrt());
                let share = rise / (1.0 + rise);
                squares.push(root * (band.ln_density - model.ln_density(band.f)), |row| {
                    row[0] = root;
                    row[1] = root * share * libm::log(model.corner / band.f);
                    if let Some(corner) = row.get_mut(2) {
                        *corner = root * model.exponent * share;
                    }
                });
            }
            squares.solve()
        });
        let u = |i: usize| {
            let fit = solved.as_ref().ok()?;
            let scale = fit.residual_sd().unwrap_or(1.0).max(1.0);
            Some(scale * fit.unscaled_covariance(i, i).sqrt())
        };
        let with = |value: f64, relative: Option<f64>| Some((value, value * relative?));
        noise.exponent = u(1).map(|u| (model.exponent, u));
        if !steep {
            noise.white = with(libm::exp(model.level), u(0));
            noise.corner = with(model.corner, u(2));
        }
        noise
    }

    /// Density of the model at a frequency in Hz.
    pub fn density(&self, f: f64) -> f64 {
        libm::exp(self.model.ln_density(f))
    }
}

/// Medians of bands of equal relative width, corrected for the skew of the scatter.
fn bands(density: &Density, mask: &[bool], scatter: &Scatter) -> Vec<Band> {
    let end = density.density.len().saturating_sub(1);
    let fewest = FEWEST.min(end / 6).max(8);
    let variance = std::f64::consts::FRAC_PI_2 * scatter.relative() * scatter.relative();
    let mut all = Vec::new();
    let mut start = FIRST_BIN;
    while start < end {
        let width = fewest.max((WIDTH * start as f64) as usize);
        // What is left at the end goes with the last.
        let stop = if start + 2 * width > end {
            end
        } else {
            start + width
        };
        let bins: Vec<usize> = (start..stop).filter(|k| !mask[*k]).collect();
        let mut values: Vec<f64> = bins.iter().map(|k| density.density[*k]).collect();
        values.sort_unstable_by(f64::total_cmp);
        let enough = 3 * values.len() >= stop - start && values.len() >= 4;
        if let Some(median) = values.get(values.len() / 2).filter(|s| **s > 0.0 && enough) {
            let independent = values.len() as f64 / scatter.bins_per_independent();
            all.push(Band {
                // A density that falls has its median at the median frequency.
                f: density.frequency[bins[bins.len() / 2]],
                ln_density: libm::log(median / scatter.median()),
                weight: 1.0 / (variance / independent + MODEL * MODEL),
            });
        }
        start = stop;
    }
    all
}

fn counts(band: &Band, model: Model) -> bool {
    let off = band.ln_density - model.ln_density(band.f);
    off * off * band.weight < FAR * FAR
}

/// The level that fits best for a corner and an exponent, and the sum of squares, large ones cut.
fn levelled(bands: &[Band], corner: f64, exponent: f64) -> (f64, Model) {
    let shape = Model {
        level: 0.0,
        corner,
        exponent,
    };
    let mut off: Vec<(f64, f64)> = bands
        .iter()
        .map(|b| (b.ln_density - shape.ln_density(b.f), b.weight))
        .collect();
    off.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
    let half = 0.5 * off.iter().map(|(_, w)| w).sum::<f64>();
    let mut passed = 0.0;
    let median = off.iter().find(|(_, w)| {
        passed += w;
        passed >= half
    });
    let middle = median.map_or(0.0, |m| m.0);
    // The mean of those that are near the median.
    let near = off
        .iter()
        .filter(|(x, w)| (x - middle) * (x - middle) * w < FAR * FAR);
    let (sum, weight) = near.fold((0.0, 0.0), |(s, n), (x, w)| (s + x * w, n + w));
    let level = if weight > 0.0 { sum / weight } else { middle };
    let squares = off
        .iter()
        .map(|(x, w)| ((x - level) * (x - level) * w).min(FAR * FAR));
    (squares.sum(), Model { level, ..shape })
}

/// Steps in corner and exponent that are halved until they no longer matter.
fn refined(bands: &[Band], mut best: (f64, Model)) -> (f64, Model) {
    let mut step = 0.1;
    for _ in 0..MOST_STEPS {
        if step < 1e-5 || best.1.corner == 0.0 {
            break;
        }
        let Model {
            corner, exponent, ..
        } = best.1;
        let around = [(1.0, 0.0), (-1.0, 0.0), (0.0, 1.0), (0.0, -1.0)];
        let tried = around.map(|(a, b)| {
            let exponent = (exponent + b * step).max(0.2);
            levelled(bands, corner * libm::exp(a * step), exponent)
        });
        let better = tried
            .into_iter()
            .filter(|t| t.0 < best.0)
            .min_by(|a, b| a.0.total_cmp(&b.0));
        match better {
            Some(found) => best = found,
            None => step *= 0.5,
        }
    }
    best
}

fn misfit(bands: &[Band], model: Model) -> f64 {
    let squares = bands
        .iter()
        .map(|b| b.ln_density - model.ln_density(b.f))
        .map(|off| off * off);
    libm::expm1((squares.sum::<f64>() / bands.len().max(1) as f64).sqrt())
}

/// The density without its lines.
#[derive(Clone, Debug, PartialEq)]
pub struct Floor {
    /// Bin by bin, in the square of the samples' unit per Hz; NaN next to zero and where lines leave nothing.
    pub density: Vec<f64>,
    /// Its relative standard uncertainty.
    pub relative_uncertainty: Vec<f64>,
}

/// The floor: the running median of the density over the model, corrected for the skew of the scatter, times
/// the model. Towards low frequencies the median is taken of fewer bins, so that it follows what rises there.
pub fn curve(density: &Density, mask: &[bool], noise: &Noise, scatter: &Scatter) -> Floor {
    let end = density.density.len().saturating_sub(1);
    let relative = |k: usize| density.density[k] / noise.density(density.frequency[k]);
    let median = |centre: usize| {
        let reach = centre.clamp(REACH.0, REACH.1);
        let around = centre.saturating_sub(reach).max(FIRST_BIN)..(centre + reach + 1).min(end);
        let mut values: Vec<f64> = around.filter(|k| !mask[*k]).map(relative).collect();
        values.sort_unstable_by(f64::total_cmp);
        let found = values.get(values.len() / 2).copied();
        let independent = values.len() as f64 / scatter.bins_per_independent();
        let u = (std::f64::consts::FRAC_PI_2 / independent).sqrt() * scatter.relative();
        let enough = values.len() >= 8;
        (
            found.filter(|_| enough).unwrap_or(f64::NAN) / scatter.median(),
            u,
        )
    };
    let next = |k: &usize| Some(k + (k / 4).clamp(STEP.0, STEP.1));
    let mut places: Vec<(usize, (f64, f64))> = std::iter::successors(Some(FIRST_BIN), next)
        .take_while(|k| *k < end)
        .map(|k| (k, median(k)))
        .filter(|(_, (median, _))| *median > 0.0)
        .collect();
    if let (Some(first), Some(last)) = (places.first().copied(), places.last().copied()) {
        places.insert(0, (FIRST_BIN.min(first.0), first.1));
        places.push((end + 1, last.1));
    }
    let mut floor = Floor {
        density: vec![f64::NAN; density.density.len()],
        relative_uncertainty: vec![f64::NAN; density.density.len()],
    };
    for pair in places.windows(2) {
        let ((a, low), (b, high)) = (pair[0], pair[1]);
        for k in a..b.min(floor.density.len()) {
            let part = (k - a) as f64 / (b - a) as f64;
            let between = |x: f64, y: f64| x + part * (y - x);
            floor.density[k] = between(low.0, high.0) * noise.density(density.frequency[k]);
            floor.relative_uncertainty[k] = low.1.max(high.1);
        }
    }
    floor
}
