//! Why two numbers differ: every cause has the effect that is worked by hand, and no program is blamed for what was
//! changed since.

use crate::lineage::{LENGTH, RATE, RECIPE, add, bench, run};
use crate::support::{Channel, Layout, phasemill, record};

/// The level of a constant recording over a gain: m/g. From (m, g) = (6, 2) to (9, 4) the number goes from 3
/// to 2.25; the recording alone adds 4.5 - 3, the gain alone 1.5 - 3, and together -0.75 is left.
#[test]
fn differences_have_the_effects_worked_by_hand() {
    let folder = tempfile::tempdir().unwrap();
    let recipe = |gain: u32, name: &str| {
        format!(
            r#"Recipe(title: "level, {gain}", inputs: {{ "x": Wave(unit: "V") }},
            constants: {{ "g": Constant(value: "{gain} V/A"), "spare": Constant(value: "{gain} s") }},
            stages: {{ "{name}": Average(of: "x"), "current": Amplify(of: "{name}", divide_by: "g") }},
            results: ["current", "{name}"])"#
        )
    };
    for (name, text) in [("a", recipe(2, "level")), ("b", recipe(4, "mean"))] {
        std::fs::write(folder.path().join(format!("{name}.ron")), text).unwrap();
    }
    for (name, level) in [("six", 6.0), ("nine", 9.0)] {
        let samples = vec![level; 500];
        let path = folder.path().join(format!("{name}.h5"));
        record(
            &path,
            RATE,
            Layout::Contiguous,
            &[Channel::volts("/x", &samples)],
        );
    }
    run(folder.path(), "a.ron", "six.h5", "a.h5");
    run(folder.path(), "b.ron", "nine.h5", "b.h5");
    let differ = |a: &str, b: &str| phasemill(folder.path(), &["differ", a, b]);
    let told = differ("a.h5:current", "b.h5").expect(0).out;
    let line = |text: &str| {
        let found = told.lines().find(|l| l.trim_start().starts_with(text));
        let line = found.unwrap_or_else(|| panic!("expected `{text}` in\n{told}"));
        line.split_whitespace()
            .last()
            .unwrap()
            .parse::<f64>()
            .unwrap()
    };
    // Numbers are printed to six places behind the point and these are short.
    for (text, value) in [
        ("first", 3.0),
        ("second", 2.25),
        ("difference", -0.75),
        ("the recording", 1.5),
        ("constants.g.value", -1.5),
        ("what they do together", -0.75),
    ] {
        assert_eq!(line(text), value, "{text}:\n{told}");
    }
    assert!(
        told.contains("without an effect here: constants.spare.value"),
        "{told}"
    );
    assert!(
        !told.contains("stages."),
        "a renamed stage is no difference:\n{told}"
    );
    let same = differ("a.h5:current", "a.h5").expect(0).out;
    assert!(same.contains("the same, bit by bit"), "{same}");
    differ("a.h5", "b.h5").expect(1).says("expected one output");
    differ("a.h5:current", "b.h5:nothing")
        .expect(1)
        .says("no output `nothing`");
    std::fs::remove_file(folder.path().join("nine.h5")).unwrap();
    let lost = differ("a.h5:current", "b.h5").expect(2).out;
    assert!(
        lost.contains("nothing was computed") && lost.contains("constants.g.value"),
        "{lost}"
    );
}

/// A stage put in between, with the one behind it reading it: neither works alone.
#[test]
fn changes_that_need_each_other_are_one() {
    let folder = bench();
    let more = RECIPE
        .replace(
            "\"smooth\": ",
            "\"twice\": Amplify(of: \"product\", multiply_by: \"2\"),\n        \"smooth\": ",
        )
        .replace("Filter(of: \"product\"", "Filter(of: \"twice\"");
    std::fs::write(folder.path().join("more.ron"), more).unwrap();
    run(folder.path(), "recipe.ron", "rec.h5", "a.h5");
    run(folder.path(), "more.ron", "rec.h5", "b.h5");
    let told = phasemill(folder.path(), &["differ", "a.h5:current[1]", "b.h5"])
        .expect(0)
        .out;
    // The stage alone changes nothing, since nobody reads it; the reading alone has nothing to read.
    assert!(
        told.contains("stages.smooth.of: \"product\" -> \"twice\""),
        "{told}"
    );
    let explained = told
        .lines()
        .find(|l| l.trim_start().starts_with("what they do together"));
    let rest = explained.map(|l| l.split_whitespace().last().unwrap().parse::<f64>().unwrap());
    assert!(rest.is_none_or(|r| r == 0.0), "{told}");
}

/// The last number of the line that begins with a text.
fn number(told: &str, text: &str) -> f64 {
    let line = told.lines().find(|l| l.trim_start().starts_with(text));
    let line = line.unwrap_or_else(|| panic!("expected `{text}` in\n{told}"));
    line.split_whitespace().last().unwrap().parse().unwrap()
}

/// Two points of one result differ by the point, whose effect is the whole difference.
#[test]
fn unlike_points_are_computed_each_at_its_own() {
    let folder = bench();
    run(folder.path(), "recipe.ron", "rec.h5", "out.h5");
    let told = phasemill(
        folder.path(),
        &["differ", "out.h5:current[0]", "out.h5:current[2]"],
    );
    let told = told.expect(0).out;
    assert!(told.contains("the point: 0 -> 2"), "{told}");
    assert!(
        told.contains("point 0 of the first and point 2 of the second"),
        "{told}"
    );
    assert!(!told.contains("program"), "{told}");
    // Both are the same subtraction.
    assert_eq!(
        number(&told, "the point"),
        number(&told, "difference"),
        "{told}"
    );
}

/// A number that was changed by hand is no other program's.
#[test]
fn a_stored_value_that_was_changed_is_named() {
    let folder = bench();
    run(folder.path(), "recipe.ron", "rec.h5", "a.h5");
    run(folder.path(), "recipe.ron", "rec.h5", "b.h5");
    let value = "rec/current/quadrature";
    add(&folder.path().join("b.h5"), value, 1, 0.25);
    for (first, second, line, effect) in [
        (
            "a.h5:current[1]",
            "b.h5",
            "the change of the second stored value",
            0.25,
        ),
        (
            "b.h5:current[1]",
            "a.h5",
            "undoing the change of the first stored value",
            -0.25,
        ),
    ] {
        let told = phasemill(folder.path(), &["differ", first, second])
            .expect(0)
            .out;
        assert!(!told.contains("program"), "{told}");
        assert!(told.contains("was changed since"), "{told}");
        // Printed to seven digits of numbers below 10.
        assert!((number(&told, line) - effect).abs() < 1e-6, "{told}");
    }
    // Another point is what it was.
    let told = phasemill(folder.path(), &["differ", "a.h5:current[0]", "b.h5"])
        .expect(0)
        .out;
    assert!(
        told.contains("the same, bit by bit") && !told.contains("changed since"),
        "{told}"
    );
}

/// What was recorded is not there any more, so nothing can be computed from it, and nothing is said to have no effect.
#[test]
fn a_recording_that_was_changed_since_is_named() {
    let folder = bench();
    run(folder.path(), "recipe.ron", "rec.h5", "a.h5");
    add(&folder.path().join("rec.h5"), "detector", LENGTH + 700, 5.0);
    run(folder.path(), "recipe.ron", "rec.h5", "b.h5");
    let told = phasemill(folder.path(), &["differ", "a.h5:current[1]", "b.h5"])
        .expect(2)
        .out;
    for text in [
        "the recording of the first was changed since",
        "`detector`, point 1",
        "the recording: rec.h5 -> rec.h5   (not computed)",
    ] {
        assert!(told.contains(text), "expected `{text}` in\n{told}");
    }
    for text in ["program", "without an effect"] {
        assert!(!told.contains(text), "{told}");
    }
}

/// A number that needs no other point is computed where the samples of another one have changed; one that needs all
/// points is not, and where nothing has changed it is computed from all of them.
#[test]
fn what_needs_one_point_alone_is_computed_from_that() {
    let folder = bench();
    let mean = |gain: &str| {
        RECIPE
            .replace(
                "results: [",
                "results: [\"mean\", ",
            )
            .replace(
                "\"smooth\": ",
                &format!("\"mean\": WeightedMean(of: \"level\"), \"level\": Average(of: \"scaled\"), \"scaled\": Amplify(of: \"detector\", multiply_by: \"{gain}\"),\n        \"smooth\": "),
            )
    };
    for (name, gain) in [("a", "1"), ("b", "3")] {
        let text = folder.path().join(format!("{name}.ron"));
        std::fs::write(text, mean(gain)).unwrap();
        run(
            folder.path(),
            &format!("{name}.ron"),
            "rec.h5",
            &format!("{name}.h5"),
        );
    }
    let differ = |a: &str, b: &str| phasemill(folder.path(), &["differ", a, b]);
    let told = differ("a.h5:mean", "b.h5").expect(0).out;
    let [first, second] = ["first", "second"].map(|which| number(&told, which));
    // Printed to six places behind the point.
    assert!((second - 3.0 * first).abs() < 3e-6, "{told}");
    assert!(told.contains("stages.scaled.multiply_by"), "{told}");
    assert!(!told.contains("program"), "{told}");
    add(&folder.path().join("rec.h5"), "detector", LENGTH + 700, 5.0);
    let told = differ("a.h5:current[0]", "a.h5:current[2]").expect(0).out;
    assert!(told.contains("the point: 0 -> 2"), "{told}");
    let told = differ("a.h5:mean", "b.h5").expect(2).out;
    assert!(
        told.contains("the recording of the first was changed since"),
        "{told}"
    );
}
