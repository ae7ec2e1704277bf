//! Units and quantities against hand-worked values and properties.

use proptest::prelude::*;

use super::*;

fn si(text: &str) -> f64 {
    Quantity::parse(text)
        .unwrap_or_else(|e| panic!("{text}: {e}"))
        .value
}

fn unit(text: &str) -> Unit {
    Unit::parse(text).unwrap_or_else(|e| panic!("{text}: {e}"))
}

fn fault(text: &str) -> (String, usize, usize) {
    let e = Quantity::parse(text).expect_err(text);
    (e.to_string(), e.offset(), e.length())
}

/// The literals are what the decimal texts mean, to the nearest double; a product with 1e-3 or 3600
/// would miss some of them by one bit.
#[test]
fn texts_are_read_to_the_nearest_double() {
    for (text, expected) in [
        ("300 ms", 0.3),
        ("0.7 us", 0.7e-6),
        ("0.7 µs", 0.7e-6),
        ("0.7 μs", 0.7e-6),
        ("4.07 nV/sqrt(Hz)", 4.07e-9),
        ("4.07 nV/√Hz", 4.07e-9),
        ("4.07 nV/Hz^0.5", 4.07e-9),
        ("1.000e8 V/A", 1e8),
        ("0.5 %", 0.005),
        ("50 kHz", 50e3),
        ("-1.1e-3 mV", -1.1e-6),
        ("−1.1e-3 mV", -1.1e-6),
        ("173", 173.0),
        ("1e-3", 1e-3),
        ("+.5 V", 0.5),
        ("5. V", 5.0),
        ("300ms", 0.3),
        ("1 eV", 1.602176634e-19),
        ("1eV", 1.602176634e-19),
        ("1.1 h", 3960.0),
        ("1.5 min", 90.0),
        ("0.1 d", 8640.0),
        ("36 km/h", 10.0),
        ("-3.6 km/h", -1.0),
        ("90 1/min", 1.5),
        ("2 Ω", 2.0),
        ("2 kOhm", 2e3),
        ("7 µA", 7e-6),
        ("21 °C", 294.15),
        ("-273.15 degC", 0.0),
        ("5 ppm", 5e-6),
        ("3 m s^-1", 3.0),
        ("3 m/s2", 3.0),
        ("3 m^2.s", 3.0),
        ("3 m2.s^-1", 3.0),
        ("3 cm²", 3e-4),
        ("3 cm⁻¹", 300.0),
        ("1 cd", 1.0),
        ("1 mg", 1e-6),
        ("1 mbar", 100.0),
        ("1 das", 10.0),
        ("1e310 nV", 1e301),
        ("12 milliseconds", 0.012),
        ("3 volts", 3.0),
        ("2 samples", 2.0),
        ("2 1/√(kHz mHz)", 2.0),
    ] {
        assert_eq!(si(text), expected, "{text}");
    }
    let pi = std::f64::consts::PI;
    assert_eq!(
        (si("180 deg"), si("90°"), si("-1.5 cycles")),
        (pi, pi / 2.0, -3.0 * pi)
    );
}

#[test]
fn levels_are_amplitude_ratios() {
    let level = Quantity::parse("20 dB").expect("a level");
    assert!(level.is_level());
    assert_eq!((level.value, level.to_ratio_amplitude()), (20.0, 10.0));
    assert!(!Quantity::parse("20 d").expect("a time").is_level());
}

/// A symbol of its own goes before a prefixed one.
#[test]
fn symbols_are_not_mistaken_for_prefixes() {
    for (symbol, same) in [
        ("min", "s"),
        ("h", "s"),
        ("d", "s"),
        ("cd", "cd"),
        ("T", "Wb/m^2"),
        ("mT", "T"),
        ("Pa", "N/m^2"),
        ("mPa", "Pa"),
        ("m", "m"),
        ("mm", "m"),
        ("mol", "mol"),
        ("dam", "m"),
        ("Gy", "J/kg"),
        ("kat", "mol/s"),
        ("lm", "cd sr"),
        ("lx", "lm/m2"),
        ("F", "C/V"),
        ("H", "Wb/A"),
        ("S", "A/V"),
        ("W", "V*A"),
        ("J", "N m"),
        ("C", "A.s"),
        ("eV", "J"),
        ("bar", "Pa"),
        ("Hz", "1/s"),
        ("sr", "rad^2"),
        ("V", "J/C"),
        ("Ω", "V/A"),
        ("Ohm", "ohm"),
    ] {
        assert!(
            unit(symbol).same_dimension(&unit(same)),
            "{symbol} and {same}"
        );
    }
    assert_ne!(unit("min"), unit("ms"));
    assert_eq!((unit("V/A"), unit("m/s/s")), (unit("Ohm"), unit("m s^-2")));
}

#[test]
fn angles_and_counts_are_told_from_numbers() {
    assert!(
        !unit("deg").is_dimensionless()
            && unit("%").is_dimensionless()
            && unit("deg/rad").is_dimensionless()
    );
    assert!(
        !unit("rad/s").same_dimension(&Unit::hertz()) && unit("rad/s").compatible(&Unit::hertz())
    );
    assert!(
        !unit("samples/s").same_dimension(&Unit::hertz())
            && unit("samples/s").compatible(&Unit::hertz())
    );
    assert!(!unit("V").compatible(&unit("A")));
}

#[test]
fn arithmetic_gives_the_usual_names() {
    let div = |a: &str, b: &str| unit(a).div(&unit(b)).expect("a unit").to_string();
    let mul = |a: &str, b: &str| unit(a).mul(&unit(b)).expect("a unit").to_string();
    assert_eq!(div("V", "V/A"), "A");
    assert_eq!(div("mV", "kV/A"), "A");
    assert_eq!(mul("Ohm", "A"), "V");
    assert_eq!(div("V", "A"), "Ω");
    assert_eq!(div("V", "sqrt(Hz)"), "V/sqrt(Hz)");
    assert_eq!(div("V^2", "Hz"), "V^2/Hz");
    assert_eq!(div("V", "m"), "V/m");
    assert_eq!(div("W", "m^2"), "W/m^2");
    assert_eq!(div("V", "s"), "V/s");
    assert_eq!(div("m", "s^2"), "m/s^2");
    assert_eq!(div("1", "sqrt(Hz)"), "1/sqrt(Hz)");
    assert_eq!(div("rad", "sqrt(Hz)"), "rad/sqrt(Hz)");
    assert_eq!(mul("V", "m"), "V m");
    assert_eq!(div("mol", "m^3 s^2"), "mol/(s^2 m^3)");
    assert_eq!(
        (mul("V/A", "%"), mul("1", "V/A"), mul("mV", "1")),
        ("V/A".into(), "V/A".into(), "V".into())
    );
    assert_eq!(
        unit("V^2/Hz").sqrt().expect("a root").to_string(),
        "V/sqrt(Hz)"
    );
    assert_eq!(unit("A").pow(-2).expect("a power").to_string(), "1/A^2");
    assert_eq!(Unit::si_name("kohm"), "Ohm");
    assert_eq!(Unit::one().to_string(), "1");
    assert!(
        unit("sqrt(Hz)").sqrt().is_err()
            && unit("m^40").pow(2).is_err()
            && unit("m^40").mul(&unit("m^40")).is_err()
    );
}

#[test]
fn factors_between_units_are_exact() {
    let factor = |a: &str, b: &str| unit(a).factor_to(&unit(b));
    assert_eq!(factor("mV", "uV"), Some(1000.0));
    assert_eq!(factor("h", "min"), Some(60.0));
    assert_eq!(factor("1/h", "1/d"), Some(24.0));
    assert_eq!(factor("cycle", "deg"), Some(360.0));
    assert_eq!(factor("V", "A"), None);
    assert_eq!(unit("ms").number_of(0.3), 300.0);
    assert_eq!(unit("deg").si_factor(), std::f64::consts::PI / 180.0);
}

/// The root of 1000 is no fraction: rounded to half a unit in the last place, squared (which doubles the
/// relative error) and rounded twice more, it is off by at most 4 of 2^-53.
#[test]
fn roots_of_odd_powers_of_ten() {
    for (text, squared) in [
        ("1 sqrt(kHz)", 1e3),
        ("1 sqrt(mHz)", 1e-3),
        ("1 sqrt(min)", 60.0),
        ("1 sqrt(km/h)", 1.0 / 3.6),
    ] {
        let root = si(text);
        assert!(
            (root * root / squared - 1.0).abs() <= 4.0 * f64::EPSILON / 2.0,
            "{text}: {root}"
        );
    }
    assert_eq!(si("1 sqrt(m^2 kHz mHz)"), 1.0);
}

#[test]
fn texts_for_data_files() {
    for (text, ascii, ucum) in [
        ("V", "V", Some("V")),
        ("kΩ", "kOhm", Some("kOhm")),
        ("µA", "uA", Some("uA")),
        ("°", "deg", Some("deg")),
        ("ppm", "ppm", Some("[ppm]")),
        ("samples", "samples", Some("{sample}")),
        ("m·s⁻²", "m*s^-2", Some("m.s-2")),
        ("V/A", "V/A", Some("m2.kg.s-3.A-2")),
        ("mm/min", "mm/min", Some("5.10*-5.m.s-1/3")),
        ("nV/√Hz", "nV/sqrt(Hz)", None),
        ("1", "1", Some("1")),
    ] {
        assert_eq!(unit(text).ascii(), ascii, "{text}");
        assert_eq!(unit(ascii), unit(text), "{text}");
        assert_eq!(unit(text).to_ucum().as_deref(), ucum, "{text}");
    }
}

#[test]
fn faults_say_what_and_where() {
    for (text, message, offset, length) in [
        ("", "expected a number with a unit, found nothing", 0, 0),
        ("  ", "expected a number with a unit, found nothing", 2, 0),
        (
            "ms",
            "expected a finite number such as 1.5e-3, found `ms`",
            0,
            2,
        ),
        (
            "nan V",
            "expected a finite number such as 1.5e-3, found `nan`",
            0,
            3,
        ),
        (
            " inf",
            "expected a finite number such as 1.5e-3, found `inf`",
            1,
            3,
        ),
        (
            "1,5 V",
            "expected a finite number such as 1.5e-3, found `1,5`",
            0,
            3,
        ),
        (
            "1e999 V",
            "expected a value that a double can hold in SI units, found `1e999`; check its exponent",
            0,
            5,
        ),
        (
            "1e-999 V",
            "expected a value that a double can hold in SI units, found `1e-999`; check its exponent",
            0,
            6,
        ),
        (
            "300 khz",
            "expected a unit, found `khz`; did you mean `kHz`?",
            4,
            3,
        ),
        (
            "3 sec",
            "expected a unit, found `sec`; did you mean `s`?",
            2,
            3,
        ),
        (
            "3 Volt",
            "expected a unit, found `Volt`; did you mean `volt`?",
            2,
            4,
        ),
        (
            "3 V/xyzzy",
            "expected a unit, found `xyzzy`; write it in SI units",
            4,
            5,
        ),
        ("1 V//A", "expected a unit's symbol, found `/`", 4, 1),
        ("1 V/", "expected a unit's symbol, found the end", 4, 0),
        (
            "1 V$",
            "expected `/`, `*` or the end of the unit, found `$`",
            3,
            1,
        ),
        (
            "1 V)",
            "expected `/`, `*` or the end of the unit, found `)`",
            3,
            1,
        ),
        ("1 sqrt(V", "expected `)`, found the end", 8, 0),
        (
            "1 V^",
            "expected an exponent such as `2` or `-1`, found the end",
            4,
            0,
        ),
        (
            "1 V/A s",
            "expected parentheses round all that divides, as in `V/(A s)`, found `s`",
            6,
            1,
        ),
        (
            "1 dB/V",
            "expected `dB` only behind a number, found it as a unit; a gain in dB is a pure ratio; state the unit apart from it",
            2,
            2,
        ),
        (
            "1 V/°C",
            "expected `degC` only behind a number, found it as a unit; use K",
            4,
            3,
        ),
        (
            "1 m^999",
            "expected exponents from -60 to 60 in steps of one half and an ordinary size, found a unit beyond them",
            2,
            5,
        ),
        (
            "1 sqrt(sqrt(m))",
            "expected exponents from -60 to 60 in steps of one half and an ordinary size, found a unit beyond them",
            2,
            13,
        ),
    ] {
        assert_eq!(fault(text), (message.to_owned(), offset, length), "{text}");
    }
    let nested = format!("1 {}m{}", "(".repeat(9), ")".repeat(9));
    assert_eq!(
        *Quantity::parse(&nested).expect_err("deep").kind(),
        UnitErrorKind::TooLong
    );
    assert_eq!(
        Unit::parse(&nested[3..20]).map(|u| u.to_string()),
        Ok("((((((((m))))))))".to_owned())
    );
    assert_eq!(
        *Unit::parse(&"m ".repeat(101)).expect_err("long").kind(),
        UnitErrorKind::TooLong
    );
}

/// Worked by hand after JCGM 100:2008, 7.2.2 and the rule in the documentation.
#[test]
fn values_print_with_their_uncertainty() {
    let show = |x: f64, u: f64| format_uncertain(x, u, &unit("A"));
    for (value, uncertainty, text) in [
        (3.4213e-9, 0.0514e-9, "3.42(5) nA"),
        (3.4213e-9, 0.0151e-9, "3.421(15) nA"),
        (3.4213e-9, 0.0294e-9, "3.421(29) nA"),
        (3.4213e-9, 0.0296e-9, "3.42(3) nA"),
        (3.4213e-9, 0.0996e-9, "3.42(10) nA"),
        (3.4213e-9, 0.0096e-9, "3.421(10) nA"),
        (342.13e-9, 51.4e-9, "0.34(5) µA"),
        (999.96e-9, 0.5e-9, "1.0000(5) µA"),
        (999.94e-9, 0.05e-9, "999.94(5) nA"),
        (12.04, 1.44, "12.0(1.4) A"),
        (0.0, 2e-12, "0.0(2.0) pA"),
        (-1e-12, 4e-12, "-1(4) pA"),
        (-0.3e-12, 4e-12, "0(4) pA"),
        (-0.0, 4e-12, "0(4) pA"),
        (1.0, 0.0, "1.00000 A (exact)"),
        (1.0, f64::NAN, "1.00000 A (uncertainty unknown)"),
        (1.0, f64::INFINITY, "1.00000 A (uncertainty unknown)"),
        (f64::NAN, 1.0, "NaN A (uncertainty unknown)"),
        (1.0, 1e-30, "1.0000000000000000 A ± 1.0e-30 A"),
    ] {
        assert_eq!(show(value, uncertainty), text);
    }
    assert_eq!(format_uncertain(340.0, 51.0, &unit("K")), "3.4(5)e2 K");
    assert_eq!(format_uncertain(3.4e-7, 5.1e-8, &Unit::one()), "3.4(5)e-7");
    assert_eq!(
        format_uncertain(4.07e-9, 0.03e-9, &unit("V/sqrt(Hz)")),
        "4.07(3) nV/sqrt(Hz)"
    );
    assert_eq!(format_uncertain(0.5, 0.01, &unit("%")), "50.0(1.0) %");
    assert_eq!(
        format_expanded(3.4213e-9, 0.0514e-9, 2.0, &unit("A")),
        "3.42 nA ± 0.10 nA (k = 2)"
    );
    assert_eq!(
        format_expanded(1.0, 0.0, 2.0, &unit("A")),
        "1.00000 A (exact)"
    );
}

/// Three digits at least, and as many as reach the place to which a value with that uncertainty is told.
#[test]
fn ends_of_an_interval_print_to_the_place_of_the_uncertainty() {
    let show = |x: f64, u: f64| format_beside(x, u, &unit("A"), 3);
    for (x, u, text) in [
        (-21.28476, 3e-4, "-21.2848 A"),
        (-21.28352, 3e-4, "-21.2835 A"),
        (3.4217e-9, 5e-11, "3.42 nA"),
        (3.4217e-9, 1.2e-12, "3.4217 nA"),
        (0.123, 0.5, "123 mA"),
        (0.0, 0.1, "0 A"),
        (1.5, f64::NAN, "1.50 A"),
    ] {
        assert_eq!(show(x, u), text);
    }
}

#[test]
fn quantities_print_with_a_prefix() {
    for (value, symbol, digits, text) in [
        (3.421e-9, "A", 3, "3.42 nA"),
        (3.421e-9, "mA", 3, "3.42 nA"),
        (0.9999999e-6, "A", 3, "1.00 µA"),
        (1e8, "V/A", 4, "100.0 MV/A"),
        (4.07e-9, "V/sqrt(Hz)", 3, "4.07 nV/sqrt(Hz)"),
        (4.07e-9, "V^2/Hz", 3, "4.07e-9 V^2/Hz"),
        (7200.0, "s", 4, "7200 s"),
        (7200.0, "h", 2, "2.0 h"),
        (300.0, "K", 3, "300 K"),
        (4.2e-3, "K", 2, "4.2 mK"),
        (1e-9, "kg", 2, "1.0e-9 kg"),
        (96485.3, "C/mol", 3, "96.5 kC/mol"),
        (1234.5, "1", 3, "1.23e3"),
        (0.25, "1", 3, "0.250"),
        (0.25, "%", 3, "25.0 %"),
        (std::f64::consts::FRAC_PI_2, "deg", 3, "90.0 deg"),
        (0.0, "V", 3, "0 V"),
        (-0.0, "V", 3, "0 V"),
        (f64::INFINITY, "V", 3, "inf V"),
        (f64::MAX, "1", 1, "2e308"),
        (1e40, "V", 2, "1.0e40 V"),
        (3.0, "cm^2", 3, "3.00e4 cm^2"),
    ] {
        assert_eq!(format_quantity(value, &unit(symbol), digits), text);
    }
}

#[test]
fn the_square_of_an_angle_is_a_variance_and_no_solid_angle() {
    for angle in ["rad", "deg"] {
        assert_eq!(unit(angle).pow(2).unwrap().ascii(), "rad^2");
    }
    assert_eq!(unit("deg^2").to_coherent().ascii(), "rad^2");
    // What was written stays as it was.
    assert_eq!(unit("sr").ascii(), "sr");
    assert_eq!(unit("W/sr").ascii(), "W/sr");
}

#[test]
fn whole_numbers_without_a_unit_print_without_idle_digits() {
    let one = Unit::one();
    for (value, text) in [
        (2.0, "2"),
        (-0.0, "0"),
        (123_456_789.0, "123456789"),
        (2.5, "2.50000"),
        (1e15, "1.00000e15"),
    ] {
        assert_eq!(format_plain(value, &one, 6), text);
    }
    assert_eq!(format_plain(2.0, &unit("V"), 3), "2.00 V");
    assert_eq!(format_plain(0.02, &unit("%"), 3), "2.00 %");
    assert_eq!(format_plain(f64::NAN, &one, 3), "NaN");
}

#[test]
fn uncertainties_are_read() {
    let read = |t: &str| Quantity::parse_with_uncertainty(t).map(|(q, u)| (q.value, u));
    for (text, value, uncertainty) in [
        ("3.42(5) nA", 3.42e-9, Some(0.05e-9)),
        ("3.42(5)e-9 A", 3.42e-9, Some(0.05e-9)),
        ("12.0(1.4) V", 12.0, Some(1.4)),
        ("100.02147(35) g", 0.10002147, Some(0.00000035)),
        ("3.4(5)e2 K", 340.0, Some(50.0)),
        ("7(2)", 7.0, Some(2.0)),
        ("3.42 nA ± 0.10 nA", 3.42e-9, Some(0.10e-9)),
        ("3.42 nA +/- 100 pA", 3.42e-9, Some(0.10e-9)),
        ("(3.42 ± 0.10) nA", 3.42e-9, Some(0.10e-9)),
        ("3.42 nA ± 0.10 nA (k = 2)", 3.42e-9, Some(0.05e-9)),
        ("(3.42 ± 0.10) nA (k=2)", 3.42e-9, Some(0.05e-9)),
        ("-2 V ± 50 %", -2.0, Some(1.0)),
        ("50 % ± 1 %", 0.5, Some(0.01)),
        ("21.00(5) °C", 294.15, Some(0.05)),
        ("3.0(1) dB", 3.0, Some(0.1)),
        ("3.42 nA", 3.42e-9, None),
        ("3 (m/s)", 3.0, None),
    ] {
        assert_eq!(read(text), Ok((value, uncertainty)), "{text}");
    }
    for (text, offset) in [
        ("3.42e-9(5) A", 8),
        ("3.42 ± 0.10 nA", 8),
        ("0.5 ± 1 %", 7),
        ("3 V ± 1 A", 7),
        ("3 V ± -1 V", 7),
        ("3 V ± 1 V (k = 0)", 11),
        ("(3 V ± 1) V", 3),
        ("(3 ± 1 V", 6),
        ("21 °C ± 1 %", 10),
        ("± 1 V", 0),
        ("3(5 V", 2),
    ] {
        assert_eq!(read(text).map_err(|e| e.offset()), Err(offset), "{text}");
    }
}

/// Ten times the text takes about ten times as long; were it a hundred, this would take hours.
#[test]
fn long_junk_is_refused_in_linear_time() {
    for part in ["1", "(", "m/", "1e", "±", "(k", "-", "µ", "1(", "0."] {
        let junk = part.repeat(1_000_000);
        for text in [
            junk.clone(),
            format!("1 {junk}"),
            format!("1 V ± {junk}"),
            format!("1.{junk}"),
        ] {
            let _ = Unit::parse(&text);
            let _ = Quantity::parse(&text);
            if let Err(e) = Quantity::parse_with_uncertainty(&text) {
                assert!(e.to_string().len() < 400, "{part}");
            }
        }
    }
}

/// Texts of the characters that the grammar knows, which come further than random ones.
const NEARLY: &str = "[-+0-9.eE()^/* ±√²⁻µΩ°%knmMVAHzsdBCrq]{0,24}";

fn place_is_in_text(text: &str, e: &UnitError) -> bool {
    text.get(e.offset()..e.offset() + e.length()).is_some()
}

/// The root of one was written as the root of nothing.
#[test]
fn the_root_of_one_reads_back() {
    for text in ["√1", "V/√1", "√1²", "√(1)"] {
        let read = unit(text);
        assert_eq!(unit(&read.ascii()), read, "{text}: {}", read.ascii());
    }
}

proptest! {
    #[test]
    fn no_text_panics_and_faults_lie_in_it(text in prop_oneof![".{0,60}", NEARLY]) {
        for e in [Quantity::parse(&text).err(), Unit::parse(&text).err(), Quantity::parse_with_uncertainty(&text).err()].into_iter().flatten() {
            prop_assert!(place_is_in_text(&text, &e), "{:?}", e);
        }
    }

    #[test]
    fn what_is_read_prints_and_reads_back(text in NEARLY) {
        if let Ok(u) = Unit::parse(&text) {
            prop_assert_eq!(&unit(&u.to_string()), &u);
            prop_assert_eq!(&unit(&u.ascii()), &u);
            prop_assert!(u.ascii().is_ascii());
            prop_assert_eq!(unit(&u.to_coherent().to_string()), u.to_coherent());
        }
    }

    #[test]
    fn made_units_read_back(halves in prop::array::uniform9(-12i8..12)) {
        let made = Unit::coherent(Dimension(halves));
        prop_assert_eq!(unit(&made.to_string()), made);
    }

    #[test]
    fn products_undo_quotients(a in 0..table::UNITS.len(), b in 0..table::UNITS.len()) {
        let (a, b) = (unit(table::UNITS[a].symbol), unit(table::UNITS[b].symbol));
        let quotient = a.div(&b).expect("a unit");
        prop_assert_eq!(&unit(&quotient.to_string()), &quotient);
        prop_assert_eq!(quotient.mul(&b).expect("a unit"), a.to_coherent());
        let square = b.pow(2).expect("a unit");
        prop_assert_eq!(&unit(&square.to_string()), &square);
        prop_assert_eq!(square.sqrt().expect("a unit"), b.to_coherent());
    }

    #[test]
    fn a_prefix_is_a_shift_of_the_decimal(digits in 1u64..1_000_000_000, point in 0i32..9, which in 0usize..24) {
        let prefixes = ["q", "r", "y", "z", "a", "f", "p", "n", "u", "m", "c", "d", "da", "h", "k", "M", "G", "T", "P", "E", "Z", "Y", "R", "Q"];
        let powers = [-30, -27, -24, -21, -18, -15, -12, -9, -6, -3, -2, -1, 1, 2, 3, 6, 9, 12, 15, 18, 21, 24, 27, 30];
        let expected: f64 = format!("{digits}e{}", powers[which] - point).parse().expect("a number");
        prop_assert_eq!(si(&format!("{digits}e-{point} {}V", prefixes[which])), expected);
    }

    /// The decimal text is an exact fraction, and so is its product with 3600.
    #[test]
    fn hours_are_exact(digits in 0u64..1_000_000_000_000, point in 0usize..12) {
        let expected: f64 = format!("{}e-{point}", digits * 3600).parse().expect("a number");
        prop_assert_eq!(si(&format!("{digits}e-{point} h")), expected);
    }

    /// A quotient of two doubles is rounded once.
    #[test]
    fn fractions_are_rounded_once(n in 0u64..1_000_000_000_000) {
        prop_assert_eq!(si(&format!("{n} 1/min")), n as f64 / 60.0);
        prop_assert_eq!(si(&format!("{n}e-3 m/h")), n as f64 / 3_600_000.0);
        prop_assert_eq!(si(&format!("{n} km/h")), (n * 1000) as f64 / 3600.0);
    }

    /// What is printed lies within half of the last printed place of what was given, and the uncertainty
    /// keeps its size to 5 % with two digits (half of 1 in 10) and to 1 in 6 with one (half of 1 in 3).
    #[test]
    fn uncertain_values_read_back(m in -10.0f64..10.0, u in 1.0f64..10.0, up in -20i32..15, below in 0i32..9, which in 0usize..6) {
        let shown = unit(["A", "V/A", "K", "%", "deg", "V^2/Hz"][which]);
        let (value, spread) = (scale::shifted(m, up), scale::shifted(u, up - below));
        let text = format_uncertain(value, spread, &shown);
        let (back, read) = Quantity::parse_with_uncertainty(&text).expect("readable");
        let read = read.expect("an uncertainty");
        prop_assert!(back.unit.same_dimension(&shown), "{}", text);
        prop_assert!((read - spread).abs() <= 0.17 * spread, "{}", text);
        // Half a place is at most half of the uncertainty's smallest one-digit value, 3, so u/6 plus rounding.
        prop_assert!((back.value - value).abs() <= 0.17 * spread + 1e-15 * value.abs(), "{}", text);
        // Degrees are no decimal fraction of the SI unit, so that a tie may go either way there.
        if which != 4 {
            prop_assert_eq!(format_uncertain(back.value, read, &shown), text);
        }
    }

    #[test]
    fn any_value_prints(value in prop::num::f64::ANY, u in prop::num::f64::ANY, digits in 0usize..40) {
        for symbol in ["A", "V/A", "kg", "1", "deg", "QV"] {
            let _ = format_uncertain(value, u, &unit(symbol));
            let _ = format_expanded(value, u, 2.0, &unit(symbol));
            let text = format_quantity(value, &unit(symbol), digits);
            prop_assert!(text.len() < 80, "{}", text);
        }
    }
}

/// A frequency that is told by samples alone may be known to the last digit of a double, and better: value and uncertainty
/// are in one unit, however small.
#[test]
fn an_uncertainty_near_the_last_digit_of_a_double_shares_the_unit() {
    let hertz = Unit::hertz();
    assert_eq!(
        format_uncertain(2.0, 7.7e-16, &hertz),
        "2.0000000000000000(8) Hz"
    );
    assert_eq!(
        format_uncertain(2.0, 7.7e-17, &hertz),
        "2.0000000000000000 Hz \u{b1} 7.7e-17 Hz"
    );
}

/// The zero of °C is no part of a difference.
#[test]
fn a_difference_has_no_zero_of_its_own() {
    let read = |text: &str| Quantity::parse(text).expect("a quantity");
    assert_eq!(read("0.5 °C").value, 273.65);
    assert_eq!(read("0.5 °C").difference(), 0.5);
    assert_eq!(read("0.5 mK").difference(), 0.5e-3);
}
