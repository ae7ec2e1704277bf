//! What a filter did, as a sentence.

use phasemill_engine::lineage::{spoken, stated};
use phasemill_engine::stage::Told;

use super::{Design, Settings};
use crate::math::design::{Band, BesselNorm, Family};

impl Settings {
    pub(super) fn told(&self, inputs: &[Told<'_>]) -> Option<String> {
        let of = inputs.first()?.name;
        Some(match &self.kind {
            Design::Rc { poles: 1, tau } => format!(
                "{of} was low-pass filtered by one RC pole with a time constant of {}{}.",
                stated(*tau, "s"),
                noise_bandwidth(1, *tau)
            ),
            Design::Rc { poles, tau } => format!(
                "{of} was low-pass filtered by {poles} equal RC poles with a time constant of {} each{}.",
                stated(*tau, "s"),
                noise_bandwidth(*poles, *tau)
            ),
            Design::Sections {
                family,
                order,
                band,
            } => {
                let (name, more) = named(*family);
                format!(
                    "{of} was filtered causally by a digital {name} {} whose prototype is of order {order}{more}.",
                    passing(*band)
                )
            }
            Design::Kaiser { spec, band } => format!(
                "{of} was filtered by a linear-phase finite impulse response of Kaiser's design, {} with transition \
                 bands of {} and a stop-band attenuation of {} dB.",
                passing(*band),
                stated(spec.transition, "Hz"),
                spec.attenuation_db
            ),
            Design::Notch { line, harmonics, q } => {
                let multiples = match harmonics {
                    1 => String::new(),
                    n => format!(" and its multiples up to the {n}-fold"),
                };
                format!(
                    "Second-order notches of quality {q} at {}{multiples} were applied to {of}.",
                    stated(*line, "Hz")
                )
            }
            Design::Periods(n) => {
                let clock = inputs.get(1)?.name;
                let periods = match n {
                    1 => "one whole period".to_owned(),
                    n => format!("{n} whole periods"),
                };
                format!("{of} was averaged over the last {periods} of {clock}, sample by sample.")
            }
        })
    }
}

/// Equivalent noise bandwidth of n equal RC poles, one-sided: gamma(n - 1/2)/(4 sqrt(pi) gamma(n) tau),
/// by integration of the squared gain.
fn noise_bandwidth(poles: u32, tau: f64) -> String {
    let n = f64::from(poles);
    let root_pi = std::f64::consts::PI.sqrt();
    let bandwidth = libm::tgamma(n - 0.5) / (4.0 * root_pi * libm::tgamma(n) * tau);
    format!(" (equivalent noise bandwidth {})", spoken(bandwidth, "Hz"))
}

fn named(family: Family) -> (&'static str, String) {
    match family {
        Family::Butterworth => ("Butterworth", String::new()),
        Family::Chebyshev1 { ripple_db } => (
            "Chebyshev type I",
            format!(" (pass-band ripple {ripple_db} dB)"),
        ),
        Family::Chebyshev2 { attenuation_db } => (
            "Chebyshev type II",
            format!(" (stop-band attenuation {attenuation_db} dB)"),
        ),
        Family::Elliptic {
            ripple_db,
            attenuation_db,
        } => (
            "elliptic",
            format!(
                " (pass-band ripple {ripple_db} dB, stop-band attenuation {attenuation_db} dB)"
            ),
        ),
        Family::Bessel {
            norm: BesselNorm::Phase,
        } => ("Bessel", " (corners by phase)".into()),
        Family::Bessel { .. } => ("Bessel", String::new()),
    }
}

fn passing(band: Band) -> String {
    let hertz = |f: f64| stated(f, "Hz");
    match band {
        Band::Low(f) => format!("low-pass with a corner at {}", hertz(f)),
        Band::High(f) => format!("high-pass with a corner at {}", hertz(f)),
        Band::Pass(a, b) => format!("band-pass with corners at {} and {}", hertz(a), hertz(b)),
        Band::Stop(a, b) => format!("band-stop with corners at {} and {}", hertz(a), hertz(b)),
    }
}
