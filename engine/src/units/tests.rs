//! Units and quantities against hand-worked values and properties.

use proptest::prelude::*;

use super::*;

fn si(text: &str) -> f64 {
    Quantity::parse(text)
        .unwrap_or_else(|e| panic!("{text}: {e}"))
        .value
}

#[test]
fn prefixes_are_exact() {
    // The literals are what the decimal texts mean; a product with 1e-3 would often miss by one bit.
    for (text, expected) in [
        ("300 ms", 0.3),
        ("0.7 us", 0.7e-6),
        ("4.07 nV/sqrt(Hz)", 4.07e-9),
        ("1.000e8 V/A", 1e8),
        ("0.5 %", 0.005),
        ("50 kHz", 50e3),
        ("-1.1e-3 mV", -1.1e-6),
        ("173", 173.0),
        ("1 eV", 1.602176634e-19),
        ("1.5 min", 90.0),
        ("3 h", 10_800.0),
        ("2 Ω", 2.0),
        ("2 kOhm", 2e3),
        ("7 µA", 7e-6),
        ("21 °C", 294.15),
        ("5 ppm", 5e-6),
        ("3 m s^-1", 3.0),
        ("3 m/s2", 3.0),
        ("1 cd", 1.0),
    ] {
        assert_eq!(si(text), expected, "{text}");
    }
    assert_eq!(si("180 deg"), std::f64::consts::PI);
}

#[test]
fn levels_are_amplitude_ratios() {
    let level = Quantity::parse("20 dB").expect("a level");
    assert!(level.is_level());
    assert_eq!((level.value, level.to_ratio_amplitude()), (20.0, 10.0));
}

#[test]
fn dimensions_follow_arithmetic() {
    let unit = |t: &str| Unit::parse(t).unwrap_or_else(|e| panic!("{t}: {e}"));
    assert_eq!(
        unit("V").div(&unit("V/A")).expect("a unit").to_string(),
        "A"
    );
    assert_eq!(
        unit("Ohm").mul(&unit("A")).expect("a unit").to_string(),
        "V"
    );
    assert_eq!(
        unit("V")
            .div(&unit("Hz").sqrt().expect("a root"))
            .expect("a unit")
            .to_string(),
        "V/sqrt(Hz)"
    );
    assert_eq!(
        unit("V^2/Hz").sqrt().expect("a root").to_string(),
        "V/sqrt(Hz)"
    );
    assert_eq!(
        unit("V").div(&unit("A")).expect("a unit").to_string(),
        "Ohm"
    );
    assert!(unit("V.s").same_dimension(&unit("Wb")) && unit("V*s").same_dimension(&unit("V·s")));
    assert!(!unit("deg").is_dimensionless() && unit("%").is_dimensionless());
    assert_eq!(unit("mV").factor_to(&unit("uV")), Some(1000.0));
    assert_eq!(unit("V").factor_to(&unit("A")), None);
}

#[test]
fn faults_say_where() {
    let fault = |t: &str| {
        let e = Quantity::parse(t).expect_err(t);
        (e.to_string(), e.offset(), e.length())
    };
    assert_eq!(
        fault("300 mz"),
        ("unknown unit `mz`; did you mean `m`?".into(), 4, 2)
    );
    assert_eq!(fault("ms").1, 0);
    assert_eq!(fault("1 V//A").1, 4);
    assert_eq!(fault("1 dB/V").1, 2);
    assert_eq!(fault("1 sqrt(V").0, "expected `)`, found `the end`");
    assert_eq!(
        fault("1 m^999").0,
        "expected exponents from -60 to 60 in steps of one half, found a unit beyond them"
    );
    assert_eq!(
        fault("1e999 V").0,
        "expected a finite number such as 1.5e-3, found `1e999`"
    );
    assert!(fault("").0.contains("found nothing"));
}

/// Worked by hand after JCGM 100:2008, 7.2.2 and the rule in the documentation.
#[test]
fn values_print_with_their_uncertainty() {
    let ampere = Unit::parse("A").expect("a unit");
    let show = |x: f64, u: f64| format_uncertain(x, u, &ampere);
    assert_eq!(show(3.4213e-9, 0.0514e-9), "3.42(5) nA");
    assert_eq!(show(3.4213e-9, 0.0151e-9), "3.421(15) nA");
    assert_eq!(show(3.4213e-9, 0.0996e-9), "3.42(10) nA");
    assert_eq!(show(3.4213e-9, 0.0096e-9), "3.42(1) nA");
    assert_eq!(show(0.0, 2e-12), "0.0(2.0) pA");
    assert_eq!(show(-1e-12, 4e-12), "-1(4) pA");
    assert_eq!(show(1.0, 0.0), "1.00000 A (exact)");
    assert_eq!(show(1.0, f64::NAN), "1.00000 A (uncertainty unknown)");
    assert_eq!(format_quantity(3.421e-9, &ampere, 3), "3.42 nA");
    assert_eq!(format_quantity(0.9999999e-6, &ampere, 3), "1.00 uA");
    assert_eq!(format_quantity(0.25, &Unit::one(), 3), "0.250");
    let degree = Unit::degree();
    assert_eq!(
        format_quantity(std::f64::consts::FRAC_PI_2, &degree, 3),
        "90.0 deg"
    );
}

proptest! {
    #[test]
    fn no_text_panics(text in ".{0,60}") {
        let _ = Quantity::parse(&text);
        let _ = Unit::parse(&text);
    }

    #[test]
    fn printed_units_read_back(a in 0usize..20, b in 0usize..20) {
        let symbols = ["V", "A", "s", "m", "kg", "Hz", "Ohm", "K", "W", "T", "F", "H", "J", "N", "Pa", "C", "S", "Wb", "mol", "cd"];
        let unit = Unit::parse(symbols[a]).expect("a unit").div(&Unit::parse(symbols[b]).expect("a unit")).expect("a unit");
        let back = Unit::parse(&unit.to_string()).expect("a unit");
        prop_assert!(back.same_dimension(&unit), "{}", unit);
        let square = unit.mul(&unit).expect("a unit");
        let back = Unit::parse(&square.to_string()).expect("a unit");
        prop_assert!(back.same_dimension(&square), "{}", square);
    }

    #[test]
    fn a_prefix_is_a_shift_of_the_decimal(digits in 1u64..1_000_000, point in 0i32..6) {
        let expected: f64 = format!("{digits}e{}", -point - 3).parse().expect("a number");
        prop_assert_eq!(si(&format!("{digits}e{} mV", -point)), expected);
    }
}
