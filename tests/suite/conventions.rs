//! Every output says how its amplitudes are stated, and what zero and sign of its phases are; counts are whole.

use phasemill_engine::store::ResultReader;

use crate::lineage::{RECIPE, bench};
use crate::support::{phasemill, tabled};

#[test]
fn outputs_say_how_amplitudes_and_phases_are_stated() {
    let folder = bench();
    let at = folder.path();
    let polar = RECIPE
        .replace(
            r#"divide_by: "gain"),"#,
            r#"divide_by: "gain"), "polar": Polar(of: "current"),"#,
        )
        .replace(
            r#"results: ["current", "smooth"]"#,
            r#"results: ["current", "polar"]"#,
        );
    let rms = polar.replace(r#"with: "clock")"#, r#"with: "clock", amplitude: Rms)"#);
    assert_ne!(polar, rms);
    for (convention, recipe) in [("peak", &polar), ("rms", &rms)] {
        std::fs::write(at.join("recipe.ron"), recipe).unwrap();
        let (_, table) = tabled(at, "rec.h5", 0);
        let header: Vec<&str> = table.lines().next().unwrap().split(',').collect();
        for wanted in [
            format!("current.in_phase [mA {convention}]"),
            format!("current.amplitude.u [mA {convention}]"),
            "current.phase [deg]".into(),
            format!("polar.amplitude.low [mA {convention}]"),
            "polar.phase.u [deg]".into(),
        ] {
            assert!(header.contains(&wanted.as_str()), "{wanted} in {header:?}");
        }
        let file = ResultReader::open(&at.join("out.h5")).unwrap();
        let attribute = |path: &str, name: &str| file.attribute(&format!("/rec/{path}"), name);
        for phase in ["current/phase", "polar.phase/value"] {
            let zero = attribute(phase, "phase_convention").unwrap();
            assert!(
                zero.contains("sin(2*pi*p), p the cycles of \"clock\"")
                    && zero.contains("rising edge")
                    && zero.contains("positive where the signal leads"),
                "{zero}"
            );
        }
        for other in [
            "current/amplitude",
            "polar.amplitude/value",
            "polar.p/value",
        ] {
            assert_eq!(attribute(other, "phase_convention"), None, "{other}");
        }
        // The variance of a phase is no solid angle.
        let square = attribute("polar.phase/uncertainty/covariance", "units");
        assert_eq!(square.as_deref(), Some("rad^2"));
        phasemill(at, &["verify", "out.h5"]).expect(0);
        let arguments = ["trace", "out.h5", "polar.phase", "--methods"];
        let methods = phasemill(at, &arguments).expect(0).out;
        let sentence = "The phase of \"polar.phase\" is relative to sin(2*pi*p)";
        assert!(methods.contains(sentence), "{methods}");
        let arguments = [
            "report",
            "out.h5",
            "--quick",
            "--out",
            "page.html",
            "--plots",
            "plots",
            "--overwrite",
        ];
        phasemill(at, &arguments).expect(0);
        let page = std::fs::read_to_string(at.join("page.html")).unwrap();
        assert!(
            page.contains("Phases are relative to sin(2*pi*p)"),
            "{page}"
        );
        let plots = std::fs::read_dir(at.join("plots")).unwrap();
        let titles: Vec<String> = plots
            .map(|entry| entry.unwrap().path())
            .filter(|path| path.extension().is_some_and(|e| e == "csv"))
            .map(|path| std::fs::read_to_string(path).unwrap())
            .map(|text| text.lines().next().unwrap_or("").to_owned())
            .collect();
        let stated = format!("\"current amplitude ({convention}) in mA\"");
        assert!(titles.iter().any(|t| t.contains(&stated)), "{titles:?}");
        assert!(
            titles.iter().any(|t| t.contains("\"current phase in ")),
            "{titles:?}"
        );
        std::fs::remove_dir_all(at.join("plots")).unwrap();
    }
}

#[test]
fn a_number_of_pulses_is_whole() {
    let folder = bench();
    let at = folder.path();
    let recipe = RECIPE.replace(
        r#"results: ["current", "smooth"]"#,
        r#"results: ["current", "clock.missing"]"#,
    );
    std::fs::write(at.join("recipe.ron"), recipe).unwrap();
    let arguments = ["run", "recipe.ron", "rec.h5", "--out", "out.h5"];
    let told = phasemill(at, &arguments).expect(0).out;
    assert!(
        told.contains("clock.missing: 3 of 3 points, 0 to 0"),
        "{told}"
    );
    let told = phasemill(at, &["trace", "out.h5", "clock.missing[1]"]);
    let told = told.expect(0).out;
    assert!(told.contains("value      0\n"), "{told}");
}
