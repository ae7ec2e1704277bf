//! Benches read and written.

use proptest::prelude::*;

use super::*;

const LIGHT: &str = r#"Bench(
    title: "weak light, invented",
    signal: "2 mV",
    offset: "500 mV",
    noise: {
        "amplifier": White(density: "20 nV/sqrt(Hz)"),
        "amplifier current": White(density: "5 fA/sqrt(Hz)", gain: "1 MOhm"),
        "drift": Flicker(density: "20 nV/sqrt(Hz)", corner: "30 Hz"),
        "feedback": Johnson(resistance: "1 MOhm"),
        "source": Johnson(resistance: "10 MOhm", temperature: "77 K", gain: "1 MV/A"),
        "light": Shot(current: "1 uA", gain: "1e6 V/A"),
        "hum": Line(frequency: "50 Hz", amplitude: "8 mV"),
    },
    converter: Converter(rate: "50 kHz", full_scale: "10 V", bits: 16),
    mains: "50 Hz",
)"#;

fn parsed(text: &str) -> Bench {
    let (bench, found) = Bench::parse("bench.ron", text);
    bench.unwrap_or_else(|| panic!("{found}"))
}

fn faults(text: &str) -> String {
    let (bench, found) = Bench::parse("bench.ron", text);
    assert_eq!(bench, None);
    found.to_string()
}

#[test]
fn a_bench_is_read_in_si_units() {
    let bench = parsed(LIGHT);
    assert_eq!(bench.signal, Some(2e-3));
    assert_eq!(bench.offset, 0.5);
    let noise: Vec<&Noise> = bench.sources.iter().map(|s| &s.noise).collect();
    assert_eq!(noise[0], &Noise::White { density: 20e-9 });
    // 5e-15 · 1e6, one rounding.
    assert_eq!(
        noise[1],
        &Noise::White {
            density: 5e-15 * 1e6
        }
    );
    assert_eq!(
        noise[3],
        &Noise::Johnson {
            resistance: 1e6,
            temperature: 295.0,
            gain: Gain::Voltage(1.0)
        }
    );
    assert_eq!(
        noise[4],
        &Noise::Johnson {
            resistance: 1e7,
            temperature: 77.0,
            gain: Gain::Current(1e6)
        }
    );
    // 20 V over 2^16 codes.
    assert_eq!(bench.converter.step(), Some(20.0 / 65_536.0));
}

#[test]
fn what_is_written_is_read_again() {
    let bench = parsed(LIGHT);
    let text = bench.to_ron();
    assert_eq!(parsed(&text), bench, "{text}");
    // Written twice, it is the same text.
    assert_eq!(parsed(&text).to_ron(), text);
    assert!(text.contains("density: \"20 nV/sqrt(Hz)\""), "{text}");
    assert!(text.contains("gain: \"1 MV/A\""), "{text}");
    assert!(text.contains("resistance: \"1 MOhm\""), "{text}");
}

/// √2 of an rms value and 2/π of a full step are the peak (Fourier series of a square wave).
#[test]
fn the_signal_becomes_its_peak() {
    for (how, peak) in [
        ("Peak", 1.0),
        ("Rms", std::f64::consts::SQRT_2),
        ("Step", std::f64::consts::FRAC_2_PI),
    ] {
        let text = format!(
            "Bench(title: \"x\", signal: \"1 V\", amplitude: {how}, converter: Converter(rate: \"1 Hz\"))"
        );
        assert_eq!(parsed(&text).signal, Some(peak));
    }
}

#[test]
fn all_faults_are_told_at_once() {
    let found = faults(
        r#"Bench(
    title: "wrong",
    signal: "2 mA",
    noise: {
        "a": Wite(density: "20 nV/sqrt(Hz)"),
        "b": White(density: "20 pA/sqrt(Hz)"),
        "c": White(density: "20 pA/sqrt(Hz)", gain: "10"),
        "d": Johnson(resistance: "-1 Ohm", gain: "3 m"),
        "e": Shot(current: "1 uA"),
        "f": Flicker(density: "1 V/sqrt(Hz)", corner: "3 s", exponent: 9),
        "g": Line(frequency: "50 Hz", amplitud: "1 V"),
        "": White(density: "-1 V/sqrt(Hz)"),
        "h": 3,
    },
    converter: Converter(rate: "50 kHz", bits: 16),
)"#,
    );
    for part in [
        "expected a quantity with a unit such as V, found `2 mA`",
        "unknown source of noise `Wite`",
        "did you mean `White`?",
        "expected a density in V/sqrt(Hz), found `20 pA/sqrt(Hz)`",
        "or a `gain` in Ohm that refers it to the recording",
        "expected a density that times the gain `10` is in V/sqrt(Hz)",
        "expected a value > 0, found \"-1 Ohm\"",
        "expected a gain in a pure number for its noise voltage, or Ohm for its noise current, found `3 m`",
        "missing setting `gain`",
        "found `3 s`",
        "expected a value 0.1 to 3, found 9",
        "unknown setting `amplitud`",
        "missing setting `amplitude`",
        "expected a density >= 0",
        "expected a name for a source of noise",
        "expected a source of noise, as in",
        "missing setting `full_scale`",
    ] {
        assert!(found.contains(part), "{part} in\n{found}");
    }
}

#[test]
fn other_texts_are_refused() {
    assert!(faults("Recipe(title: \"x\")").contains("expected `Bench(...)`, found `Recipe`"));
    assert!(faults("").contains("found nothing"));
    assert!(faults("Bench(title: \"x\")").contains("missing setting `converter`"));
}

#[test]
fn every_setting_is_documented() {
    let mut names = Vec::new();
    for doc in settings() {
        names.push(doc.name);
        assert!(!doc.doc.is_empty());
        if let crate::text::Shape::Map(inner) = doc.shape {
            let crate::text::Shape::Choice(kinds) = *inner else {
                panic!("kinds of sources");
            };
            assert_eq!(kinds.len(), 5);
            assert!(kinds.iter().all(|(_, _, settings)| !settings.is_empty()));
        }
    }
    assert_eq!(
        names,
        [
            "title",
            "unit",
            "signal",
            "amplitude",
            "offset",
            "noise",
            "converter",
            "mains"
        ]
    );
}

fn size() -> impl Strategy<Value = f64> {
    (1.0..10.0, -20..8).prop_map(|(x, e): (f64, i32)| x * libm::exp10(f64::from(e)))
}

fn noise() -> impl Strategy<Value = Noise> {
    let gain = prop_oneof![
        size().prop_map(Gain::Voltage),
        size().prop_map(Gain::Current)
    ];
    prop_oneof![
        size().prop_map(|density| Noise::White { density }),
        (size(), size(), 0.1..3.0).prop_map(|(density, corner, exponent)| Noise::Flicker {
            density,
            corner,
            exponent
        }),
        (size(), size(), gain).prop_map(|(resistance, temperature, gain)| Noise::Johnson {
            resistance,
            temperature,
            gain
        }),
        (size(), size()).prop_map(|(current, gain)| Noise::Shot { current, gain }),
        (size(), size()).prop_map(|(frequency, amplitude)| Noise::Line {
            frequency,
            amplitude
        }),
    ]
}

proptest! {
    /// Any bench in any of the usual units survives writing and reading, bit by bit.
    #[test]
    fn any_bench_is_read_as_it_was_written(
        title in ".*",
        unit in prop::sample::select(vec!["V", "mV", "1", "m/s^2", "count", "%", "Pa"]),
        signal in prop::option::of(size()),
        offset in size(),
        kinds in prop::collection::vec(noise(), 0..6),
        rate in size(),
        full_scale in prop::option::of(size()),
        bits in 1u32..64,
        mains in prop::option::of(size()),
    ) {
        let named = |(k, noise)| Source { name: format!("source {k} \"\\ µ"), noise };
        let bench = Bench {
            title,
            unit: Unit::parse(unit).expect("a unit"),
            signal,
            offset: -offset,
            sources: kinds.into_iter().enumerate().map(named).collect(),
            converter: Converter { rate, full_scale, bits: full_scale.map(|_| bits) },
            mains,
        };
        let text = bench.to_ron();
        let (again, found) = Bench::parse("bench.ron", &text);
        prop_assert_eq!(again.as_ref(), Some(&bench), "{}\n{}", text, found);
    }
}

/// A level of 20 °C is one of 293.15 K, and an amplitude of 0.5 °C one of 0.5 K.
#[test]
fn amplitudes_of_temperatures_are_differences() {
    let bench = parsed(
        r#"Bench(
    title: "an invented oven",
    unit: "K",
    signal: "0.5 °C",
    offset: "20 °C",
    noise: { "fan": Line(frequency: "50 Hz", amplitude: "0.25 °C") },
    converter: Converter(rate: "1 kHz"),
)"#,
    );
    assert_eq!(bench.signal, Some(0.5));
    assert!((bench.offset - 293.15).abs() < 1e-9);
    let Noise::Line { amplitude, .. } = bench.sources[0].noise else {
        panic!("a line");
    };
    assert_eq!(amplitude, 0.25);
}
