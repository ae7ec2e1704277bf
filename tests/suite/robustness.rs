//! No text makes the program panic, hang or eat memory: mutated recipes, great ones, deep ones.

use std::time::{Duration, Instant};

use phasemill_engine::bench::Bench;
use phasemill_engine::diagnostic::Code;
use phasemill_engine::expect::{Sources, advise, budget, candidates};
use phasemill_engine::recipe::Wiring;
use proptest::prelude::*;

use crate::support::{checked, files, root};

/// Pieces that mean something in a recipe, to be put where they do not belong.
const PIECES: [&str; 32] = [
    "(",
    ")",
    "[",
    "]",
    "{",
    "}",
    "\"",
    ",",
    ":",
    ".",
    "//",
    "/*",
    "*/",
    "r#\"",
    "\"#",
    "\\",
    "\\u{",
    "#![enable(unwrap_newtypes)]",
    "Some(",
    "None",
    "Recipe(",
    "Wave(",
    "\"1 ms\"",
    "\"1e999 V\"",
    "-",
    "NaN",
    "inf",
    "\u{0}",
    "½",
    "\u{feff}",
    "'",
    "99999999999999999999",
];

fn shipped() -> Vec<String> {
    let texts: Vec<String> = files(&root().join("pipelines/library"), ".ron")
        .iter()
        .chain(&files(&root().join("tests/cases"), ".ron"))
        .map(|f| std::fs::read_to_string(f).unwrap())
        .collect();
    assert!(texts.len() > 60);
    texts
}

/// One change to a text; positions are parts of its length.
#[derive(Clone, Debug)]
enum Change {
    DeleteBytes(f64, usize),
    DeleteLine(f64),
    RepeatLine(f64, usize),
    SwapLines(f64, f64),
    Insert(f64, usize),
    Flip(f64, u8),
    DeleteToken(f64),
    RepeatToken(f64),
    CutOff(f64),
}

fn change() -> impl Strategy<Value = Change> {
    let at = || 0.0..1.0f64;
    prop_oneof![
        (at(), 1..40usize).prop_map(|(a, n)| Change::DeleteBytes(a, n)),
        at().prop_map(Change::DeleteLine),
        (at(), 1..4usize).prop_map(|(a, n)| Change::RepeatLine(a, n)),
        (at(), at()).prop_map(|(a, b)| Change::SwapLines(a, b)),
        (at(), 0..PIECES.len()).prop_map(|(a, n)| Change::Insert(a, n)),
        (at(), 1..=255u8).prop_map(|(a, x)| Change::Flip(a, x)),
        at().prop_map(Change::DeleteToken),
        at().prop_map(Change::RepeatToken),
        at().prop_map(Change::CutOff),
    ]
}

fn place(at: f64, length: usize) -> usize {
    ((at * length as f64) as usize).min(length.saturating_sub(1))
}

fn tokens(text: &str) -> Vec<&str> {
    text.split_inclusive([' ', '(', ')', ',', ':', '"', '\n'])
        .collect()
}

fn apply(text: &str, change: &Change) -> String {
    let mut lines: Vec<&str> = text.split_inclusive('\n').collect();
    let mut pieces = tokens(text);
    if text.is_empty() {
        return PIECES.concat();
    }
    match *change {
        Change::DeleteBytes(at, count) => {
            let mut bytes = text.as_bytes().to_vec();
            let start = place(at, bytes.len());
            bytes.drain(start..(start + count).min(bytes.len()));
            String::from_utf8_lossy(&bytes).into_owned()
        }
        Change::DeleteLine(at) => {
            lines.remove(place(at, lines.len()));
            lines.concat()
        }
        Change::RepeatLine(at, times) => {
            let line = place(at, lines.len());
            (0..times).for_each(|_| lines.insert(line, lines[line]));
            lines.concat()
        }
        Change::SwapLines(a, b) => {
            let (a, b) = (place(a, lines.len()), place(b, lines.len()));
            lines.swap(a, b);
            lines.concat()
        }
        Change::Insert(at, piece) => {
            let mut bytes = text.as_bytes().to_vec();
            let start = place(at, bytes.len());
            bytes.splice(start..start, PIECES[piece].bytes());
            String::from_utf8_lossy(&bytes).into_owned()
        }
        Change::Flip(at, mask) => {
            let mut bytes = text.as_bytes().to_vec();
            let start = place(at, bytes.len());
            bytes[start] ^= mask;
            String::from_utf8_lossy(&bytes).into_owned()
        }
        Change::DeleteToken(at) => {
            pieces.remove(place(at, pieces.len()));
            pieces.concat()
        }
        Change::RepeatToken(at) => {
            let token = place(at, pieces.len());
            pieces.insert(token, pieces[token]);
            pieces.concat()
        }
        Change::CutOff(at) => {
            let bytes = &text.as_bytes()[..place(at, text.len())];
            String::from_utf8_lossy(bytes).into_owned()
        }
    }
}

/// Longest that a recipe of ordinary size may take to check and to show, with a debug build on a
/// busy machine; it takes about a hundredth of that.
const LONGEST: Duration = Duration::from_secs(2);

proptest! {
    #![proptest_config(ProptestConfig { cases: 1500, failure_persistence: None, ..Default::default() })]

    #[test]
    fn mutated_recipes_are_accepted_or_rejected(
        which in any::<prop::sample::Index>(),
        changes in prop::collection::vec(change(), 1..6),
    ) {
        let texts = shipped();
        let mut text = which.get(&texts).clone();
        for change in &changes {
            text = apply(&text, change);
        }
        let began = Instant::now();
        let (recipe, found) = checked("mutated.ron", &text);
        prop_assert!(recipe.is_some() || found.has_errors(), "rejected without a reason");
        let (_, wiring) = Wiring::parse("mutated.wiring.ron", &text);
        let (bench, benched) = Bench::parse("mutated.bench.ron", &text);
        prop_assert!(bench.is_some() || benched.has_errors(), "rejected without a reason");
        if let Some(bench) = &bench {
            let rate = bench.converter.rate;
            let sources = Sources::of(bench, rate);
            let all = candidates(bench, rate);
            let budgets: Vec<_> = all.iter().map(|f| budget(bench, &sources, rate, *f, 10.0)).collect();
            advise(&budgets, &sources, rate, 10.0);
        }
        for diagnostic in found.iter().chain(&wiring).chain(&benched) {
            if let Some(place) = &diagnostic.place {
                prop_assert!(text.get(place.range.clone()).is_some(), "{diagnostic:?} points outside");
            }
            prop_assert!(!diagnostic.render(false).is_empty());
        }
        prop_assert!(began.elapsed() < LONGEST, "took {:?}", began.elapsed());
    }

    #[test]
    fn any_text_at_all_is_accepted_or_rejected(text in "\\PC{0,200}") {
        let (recipe, found) = checked("random.ron", &text);
        let (bench, benched) = Bench::parse("random.bench.ron", &text);
        prop_assert!(bench.is_some() || benched.has_errors());
        prop_assert!(recipe.is_some() || found.has_errors());
    }
}

fn chain(stages: usize) -> String {
    let mut text = String::from(
        "Recipe(\n    title: \"a long chain\",\n    inputs: { \"s0\": Wave(unit: \"V\") },\n    stages: {\n",
    );
    for k in 1..stages {
        text += &format!(
            "        \"s{k}\": Amplify(of: \"s{}\", multiply_by: \"1.01\"),\n",
            k - 1
        );
    }
    text += &format!(
        "        \"m\": Average(of: \"s{}\"),\n    }},\n    results: [\"m\"],\n)\n",
        stages - 1
    );
    text
}

#[test]
fn the_longest_legal_chain_is_checked_in_reasonable_time() {
    let time = |stages| {
        let text = chain(stages);
        let began = Instant::now();
        let (_, found) = checked("chain.ron", &text);
        assert!(found.is_empty(), "{found}");
        began.elapsed()
    };
    // A second or two when it is linear in the stages, minutes when it is not; half a minute leaves room
    // for a busy machine.
    let long = time(2000);
    assert!(long < Duration::from_secs(30), "{long:?}");
}

#[test]
fn too_many_stages_are_a_diagnostic() {
    let (_, found) = checked("chain.ron", &chain(2001));
    let codes: Vec<Code> = found.iter().map(|d| d.code).collect();
    assert_eq!(codes, [Code::Limit], "{found}");
}

#[test]
fn many_faults_are_shown_in_reasonable_time() {
    let text = chain(1500).replace("multiply_by: ", "bi: ");
    let began = Instant::now();
    let (_, found) = checked("faults.ron", &text);
    let shown = found.to_string();
    assert!(found.len() >= 1499 && shown.len() > 100_000);
    assert!(
        began.elapsed() < Duration::from_secs(30),
        "{:?}",
        began.elapsed()
    );
}

#[test]
fn deep_nesting_is_a_diagnostic() {
    for (open, close) in [
        ("(", ")"),
        ("[", "]"),
        ("{\"a\":", "}"),
        ("Some(", ")"),
        ("/*", "*/"),
        ("A(b:", ")"),
    ] {
        let deep = open.repeat(10_000) + "1" + &close.repeat(10_000);
        for text in [
            deep.clone(),
            format!("Recipe(title: {deep})"),
            format!("Recipe(title: \"a\", inputs: {{ \"x\": {deep} }}, stages: {{}}, results: [])"),
            format!(
                "Recipe(title: \"a\", inputs: {{}}, stages: {{ \"m\": Average(of: {deep}) }}, results: [])"
            ),
            open.repeat(200_000),
        ] {
            let began = Instant::now();
            let (_, found) = checked("deep.ron", &text);
            assert!(found.has_errors());
            assert!(found.to_string().len() < 400_000 + 40 * text.len());
            assert!(
                began.elapsed() < Duration::from_secs(20),
                "{open}: {:?}",
                began.elapsed()
            );
        }
    }
}

#[test]
fn one_line_of_a_mebibyte_is_shown_in_reasonable_time() {
    let text = format!(
        "Recipe(title: \"{}\", inputs: {{ \"x\": Wave(unt: \"V\") }}, stages: {{}}, results: [\"x\"])",
        "y".repeat((1 << 20) - 200)
    );
    let began = Instant::now();
    let (_, found) = checked("wide.ron", &text);
    let shown = found.to_string();
    assert!(found.has_errors());
    assert!(shown.len() < 10_000, "{} bytes are shown", shown.len());
    assert!(
        began.elapsed() < Duration::from_secs(10),
        "{:?}",
        began.elapsed()
    );
}
