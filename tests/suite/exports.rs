//! Exports by open standards, held against validators that others wrote, and searched for names.

use std::path::{Path, PathBuf};

use serde_json::{Value, json};

use crate::support::{Channel, Layout, command, files, finish, noise, phasemill, record, root};
use crate::support_reference::{published, python};

const RECIPE: &str = r#"Recipe(
    title: "mean \"level\" of µ, a \\ and more",
    inputs: { "x": Wave(unit: "V"), "dark x": Wave(unit: "V", recording: "dark") },
    constants: { "gain": Constant(value: "10 V/A", standard_uncertainty: "1 %", source: "made up", date: "2026-03-14") },
    stages: {
        "mean level": Average(of: "x", over: Blocks("0.1 s")),
        "dark level": Average(of: "dark x", over: Blocks("0.1 s")),
        "net": Combine(of: ["mean level", "dark level"], by: Difference),
        "current": Amplify(of: "net", divide_by: "gain"),
    },
    results: ["mean level", "current"],
)
"#;
/// Parts of paths and names that no export may hold.
const FOLDER: &str = "folder-of-somebody";
const USER: &str = "user-with-a-name";

/// Results that were made with absolute paths, by a user with a name.
struct Made {
    _keep: tempfile::TempDir,
    at: PathBuf,
}

fn made() -> Made {
    let keep = tempfile::tempdir().unwrap();
    let at = keep.path().join(FOLDER);
    std::fs::create_dir(&at).unwrap();
    std::fs::write(at.join("a recipe.ron"), RECIPE).unwrap();
    let channels = r#"Wiring(channels: { "x": Channel(dataset: "/x") })"#;
    std::fs::write(at.join("bench.ron"), channels).unwrap();
    for (name, dataset, points, seed) in [
        ("a b", "/x", 2, 1),
        ("c", "/x", 1, 2),
        ("dark", "/dark x", 1, 3),
    ] {
        let samples = noise(1000, 0.5, seed);
        let path = at.join(format!("{name}.h5"));
        let channel = Channel {
            points,
            ..Channel::volts(dataset, &samples)
        };
        record(&path, 1000.0, Layout::Contiguous, &[channel]);
    }
    let file = |name: &str| at.join(name).display().to_string();
    let mut run = command(&at);
    run.env("USER", USER)
        .args(["run", &file("a recipe.ron"), &file("a b.h5"), &file("c.h5")]);
    run.args([
        "--with",
        &format!("dark={}", file("dark.h5")),
        "--wiring",
        &file("bench.ron"),
    ]);
    run.args([
        "--out",
        &file("answers.h5"),
        "--csv",
        &file("answers.csv"),
        "--quiet",
    ]);
    finish(&mut run).expect(0);
    Made { _keep: keep, at }
}

impl Made {
    fn export(&self, arguments: &[&str]) -> crate::support::Outcome {
        phasemill(&self.at, &[&["export", "answers.h5"], arguments].concat())
    }

    fn text(&self, name: &str) -> String {
        std::fs::read_to_string(self.at.join(name)).unwrap()
    }
}

/// PROV-JSON by the schema of its authors, both notations by the `prov` package, whose readers must see
/// the same document; and what PROV-CONSTRAINTS (W3C, 2013) asks of ends of relations, declared by hand.
const PROV: &str = r#"
import json, os, sys, tempfile
import jsonschema, prov
from prov.model import ProvDocument
work = json.load(sys.stdin)
schema = work["schema"]
if schema is None:
    here = os.path.dirname(prov.__file__)
    schema = open(os.path.join(here, "tests/schemas/prov-json.schema.json")).read()
schema = json.loads(schema)
faults = [e.message for e in jsonschema.validators.validator_for(schema)(schema).iter_errors(json.loads(work["json"]))]
document = ProvDocument.deserialize(content=work["json"], format="json")
other = ProvDocument.deserialize(content=work["provn"], format="provn")
kinds = {}
for record in document.get_records():
    if record.is_element():
        kinds[str(record.identifier)] = record.get_type().localpart
wanted = {"entity": "Entity", "generatedEntity": "Entity", "usedEntity": "Entity", "collection": "Entity", "plan": "Entity",
          "activity": "Activity", "agent": "Agent", "delegate": "Agent", "responsible": "Agent"}
for record in document.get_records():
    if record.is_relation():
        for name, value in record.formal_attributes:
            kind = wanted.get(name.localpart)
            if kind and value is not None and kinds.get(str(value)) != kind:
                faults.append("%s is no declared %s" % (value, kind))
labels = sorted(str(r.label) for r in document.get_records() if r.is_element())
json.dump({"faults": faults, "same": document == other, "count": len(list(document.get_records())), "labels": labels,
           "again": document == ProvDocument.deserialize(content=document.serialize(format="json"), format="json")}, sys.stdout)
"#;

/// RO-Crate 1.1 and the Workflow Run Crate profiles by `roc-validator`, whose checks are shapes that it
/// brings along; the one thing it fetches, the context of RO-Crate 1.1, is given to it from the published
/// copy, so that nothing is asked of the network.
const CRATES: &str = r#"
import io, json, os, sys, requests, urllib3
from requests.adapters import HTTPAdapter
work = json.load(sys.stdin)
asked = []
def send(self, request, **more):
    asked.append(request.url)
    answer = requests.Response()
    answer.request, answer.url = request, request.url
    known = request.url.startswith("https://w3id.org/ro/crate/1.1")
    answer.status_code = 200 if known else 404
    body = work["context"].encode() if known else b""
    answer._content = body
    answer.headers["Content-Type"] = "application/ld+json"
    answer.raw = urllib3.HTTPResponse(body=io.BytesIO(body), status=answer.status_code,
        headers={"Content-Type": "application/ld+json"}, preload_content=False, request_url=request.url)
    return answer
HTTPAdapter.send = send
from rocrate_validator import models, services
settings = services.ValidationSettings(rocrate_uri=models.URI(work["crate"]), profile_identifier=work["profile"],
    requirement_severity=models.Severity.RECOMMENDED)
result = services.validate(settings)
found = {"REQUIRED": set(), "RECOMMENDED": set()}
for issue in result.get_issues():
    found[issue.severity.name].add("%s %s" % (issue.check.identifier, issue.message))
json.dump({"required": sorted(found["REQUIRED"]), "recommended": sorted(found["RECOMMENDED"]),
           "asked": sorted(set(asked))}, sys.stdout)
sys.stdout.flush()
# The validator prints what it warned of when it ends.
os._exit(0)
"#;
/// What the profiles recommend and no crate has: neither program nor stages have an address (the identifier of the
/// recipe, a file of the crate, is a path in it).
const NO_ADDRESS: [&str; 2] = [
    "process-run-crate-0.5_3.2 The Application SHOULD have a url",
    "process-run-crate-0.5_5.1 The SoftwareApplication id SHOULD be an absolute URI",
];
/// What a crate has only where it names who ran the recipe.
const NO_OPERATOR: [&str; 1] =
    ["process-run-crate-0.5_8.6 The Action SHOULD have an agent that is a Person or Organization"];
/// What a crate has only where author and organization are given.
const NOBODY: [&str; 2] = [
    "ro-crate-1.1_22.2 The Root Data Entity SHOULD have a link to a Contextual Entity representing the `author` of the RO-Crate",
    "ro-crate-1.1_22.3 The `publisher` property of a `Root Data Entity` SHOULD be an `Organization`",
];
/// Recordings that are not in a crate have no address either, and are known by their hash.
const NOT_HERE: &str = "ro-crate-1.1_28.1 Web-based Data Entity urn:uuid:";

/// This profile brings the checks of those that it builds on: Workflow Run Crate, Process Run Crate, Workflow
/// RO-Crate and RO-Crate 1.1.
const PROFILE: &str = "provenance-run-crate";

#[test]
fn prov_documents_are_valid_and_say_the_same() {
    let made = made();
    made.export(&["--prov-json", "l.json", "--prov-n", "l.provn"])
        .expect(0);
    let work = json!({
        "json": made.text("l.json"),
        "provn": made.text("l.provn"),
        "schema": published("standards/prov-json.schema.json"),
    });
    let Some(found) = python(PROV, &work) else {
        return;
    };
    assert_eq!(found["faults"], json!([]));
    assert_eq!(
        (&found["same"], &found["again"]),
        (&json!(true), &json!(true))
    );
    let labels: Vec<&str> = found["labels"]
        .as_array()
        .unwrap()
        .iter()
        .map(|l| l.as_str().unwrap())
        .collect();
    for label in [
        "mean \"level\" of µ, a \\ and more",
        "a b.h5",
        "gain = 10 V/A",
        "c: current",
    ] {
        assert!(labels.contains(&label), "`{label}` is not in {labels:?}");
    }
    // The check must be able to fail.
    let broken = made
        .text("l.json")
        .replacen("\"prov:activity\"", "\"prov:activty\"", 1);
    let work = json!({ "json": broken, "provn": made.text("l.provn"), "schema": work["schema"] });
    assert_ne!(python(PROV, &work).unwrap()["same"], true);
}

#[test]
fn crates_are_valid_in_every_profile_and_do_what_is_recommended() {
    let made = made();
    let Some(context) = published("standards/rocrate_context_1.1.jsonld") else {
        return;
    };
    made.export(&[
        "--crate",
        "whole",
        "--include-recordings",
        "--add",
        "answers.csv",
        "--licence",
        "https://creativecommons.org/licenses/by/4.0/",
        "--author",
        "A. Nobody",
        "--organization",
        "a made-up laboratory",
        "--organization-url",
        "https://laboratory.example",
    ])
    .expect(0);
    made.export(&["--crate", "told", "--with-names", "--licence", "ask us"])
        .expect(0);
    made.export(&["--crate", "bare", "--include-recordings"])
        .expect(0);
    let check = |folder: &str| {
        let folder = made.at.join(folder).display().to_string();
        let work = json!({ "crate": folder, "context": context, "profile": PROFILE });
        python(CRATES, &work)
    };
    let [_, publisher] = NOBODY;
    let affiliation = [
        "ro-crate-1.1_30.2 The author SHOULD have an organizational affiliation.",
        "ro-crate-1.1_30.3 The author SHOULD have a Contextual Entity which specifies the organizational `affiliation`.",
    ];
    for (folder, exceptions) in [
        ("whole", [&NO_ADDRESS[..], &NO_OPERATOR].concat()),
        (
            "told",
            [&NO_ADDRESS[..], &[publisher, NOT_HERE], &affiliation].concat(),
        ),
        ("bare", [&NO_ADDRESS[..], &NO_OPERATOR, &NOBODY].concat()),
    ] {
        let Some(found) = check(folder) else {
            return;
        };
        assert_eq!(found["required"], json!([]), "{folder}");
        let missing = found["recommended"].as_array().unwrap();
        // Of recordings that are told of there are several.
        let mut missing: Vec<&str> = missing
            .iter()
            .map(|m| m.as_str().unwrap())
            .map(|m| if m.starts_with(NOT_HERE) { NOT_HERE } else { m })
            .collect();
        missing.dedup();
        let mut exceptions = exceptions;
        exceptions.sort_unstable();
        assert_eq!(missing, exceptions, "{folder}");
        let asked = found["asked"].as_array().unwrap();
        assert!(
            asked
                .iter()
                .all(|url| url.as_str().unwrap().contains("/ro/crate/1.1")),
            "{asked:?}"
        );
    }
    // The check must be able to fail, in each of the profiles.
    let path = made.at.join("whole/ro-crate-metadata.json");
    let mut text = std::fs::read_to_string(&path).unwrap();
    for word in [
        "instrument",
        "license",
        "additionalType",
        "workExample",
        "programmingLanguage",
    ] {
        text = text.replace(&format!("\"{word}\""), &format!("\"not-{word}\""));
    }
    std::fs::write(&path, text).unwrap();
    let found = check("whole").unwrap();
    let issues = found["required"].to_string();
    for profile in [
        "ro-crate-1.1",
        "workflow-ro-crate",
        "process-run-crate",
        "workflow-run-crate",
        "provenance-run-crate",
    ] {
        assert!(issues.contains(profile), "{profile}: {issues}");
    }
}

/// Every file of a crate is described, with its size and SHA-256, and nothing else is.
#[test]
fn a_crate_describes_what_it_holds() {
    let made = made();
    made.export(&[
        "--crate",
        "c",
        "--include-recordings",
        "--add",
        "answers.csv",
        "--author",
        "A. Nobody",
    ])
    .expect(0);
    let folder = made.at.join("c");
    let text = std::fs::read_to_string(folder.join("ro-crate-metadata.json")).unwrap();
    let whole: Value = serde_json::from_str(&text).unwrap();
    let graph = whole["@graph"].as_array().unwrap();
    let entity = |id: &str| {
        graph
            .iter()
            .find(|e| e["@id"] == id)
            .unwrap_or_else(|| panic!("no {id}"))
    };
    let parts = entity("./")["hasPart"].as_array().unwrap();
    let mut described: Vec<String> = parts
        .iter()
        .map(|p| p["@id"].as_str().unwrap().replace("%20", " "))
        .collect();
    described.push("ro-crate-metadata.json".into());
    described.sort();
    let mut held: Vec<String> = files(&folder, "")
        .iter()
        .map(|f| {
            f.strip_prefix(&folder)
                .unwrap()
                .to_string_lossy()
                .into_owned()
        })
        .collect();
    held.sort();
    assert_eq!(described, held);
    assert!(
        held.contains(&"recordings/a b.h5".to_owned()) && held.contains(&"bench.ron".to_owned()),
        "{held:?}"
    );
    for part in parts {
        let id = part["@id"].as_str().unwrap();
        let bytes = std::fs::read(folder.join(id.replace("%20", " "))).unwrap();
        assert_eq!(entity(id)["contentSize"], bytes.len().to_string(), "{id}");
        assert_eq!(entity(id)["sha256"].as_str().unwrap().len(), 64, "{id}");
    }
    let sums = json!(
        parts
            .iter()
            .map(|p| {
                let id = p["@id"].as_str().unwrap();
                [
                    folder.join(id.replace("%20", " ")).display().to_string(),
                    entity(id)["sha256"].as_str().unwrap().into(),
                ]
            })
            .collect::<Vec<_>>()
    );
    let script = "import hashlib, json, sys\njson.dump([p for p, s in json.load(sys.stdin) if hashlib.sha256(open(p, 'rb').read()).hexdigest() != s], sys.stdout)";
    if let Some(wrong) = python(script, &sums) {
        assert_eq!(wrong, json!([]));
    }
    assert_eq!(entity("#author")["name"], "A. Nobody");
    let table = entity("answers.csv");
    assert_eq!(table["isBasedOn"]["@id"], "answers.h5");
    assert_eq!(
        (&table["encodingFormat"], &table["description"]),
        (&json!("text/csv"), &json!("a table made from the results"))
    );
    assert_eq!(entity("#run")["result"]["@id"], "answers.h5");
    assert_eq!(entity("#constant-gain")["value"], "10 V/A");
    // What has several points is drawn, and so is the recipe.
    let plot = entity("plots/a-b-current-value.svg");
    assert_eq!(plot["@type"], json!(["File", "ImageObject"]));
    assert_eq!(plot["encodingFormat"], "image/svg+xml");
    assert_eq!(plot["isBasedOn"]["@id"], "answers.h5");
    let shown = entity(plot["about"]["@id"].as_str().unwrap());
    assert_eq!(shown["name"], "current of a b");
    let recipe = entity(entity("./")["mainEntity"]["@id"].as_str().unwrap());
    assert_eq!(recipe["image"]["@id"], "recipe.svg");
    assert_eq!(entity("recipe.svg")["about"]["@id"], recipe["@id"]);
    let recording = entity("recordings/a%20b.h5");
    assert_eq!(recording["exampleOfWork"]["@id"], "#input-x");
    let run = entity("#run");
    let time = |name: &str| run[name].as_str().unwrap().to_owned();
    assert!(time("startTime") <= time("endTime") && time("endTime").ends_with("+00:00"));
    // Every reference leads somewhere: to an entity, or to a standard.
    let mut pending: Vec<&Value> = graph.iter().collect();
    while let Some(value) = pending.pop() {
        match value {
            Value::Array(list) => pending.extend(list),
            Value::Object(map) => {
                if let (Some(Value::String(id)), 1) = (map.get("@id"), map.len()) {
                    assert!(
                        id.starts_with("http") || graph.iter().any(|e| e["@id"] == **id),
                        "{id}"
                    );
                }
                pending.extend(map.values());
            }
            _ => {}
        }
    }
}

/// Everything that an export holds, file by file.
fn contents(path: &Path) -> Vec<(PathBuf, Vec<u8>)> {
    let all = if path.is_dir() {
        files(path, "")
    } else {
        vec![path.into()]
    };
    all.into_iter()
        .map(|f| (f.clone(), std::fs::read(&f).unwrap()))
        .collect()
}

fn holds(bytes: &[u8], word: &str) -> bool {
    bytes.windows(word.len()).any(|w| w == word.as_bytes())
}

#[test]
fn no_name_and_no_path_leaves_unless_asked_for() {
    let made = made();
    let targets = [
        "--prov-json",
        "l.json",
        "--prov-n",
        "l.provn",
        "--crate",
        "c",
    ];
    let more = [
        "--include-recordings",
        "--add",
        "answers.csv",
        "--overwrite",
    ];
    let exported = || {
        let all = ["l.json", "l.provn", "c"].map(|name| contents(&made.at.join(name)));
        all.into_iter().flatten().collect::<Vec<_>>()
    };
    made.export(&[&targets[..], &more].concat()).expect(0);
    let host = std::fs::read_to_string("/etc/hostname").unwrap_or_default();
    let host = host.trim();
    let home = root().display().to_string();
    for (file, bytes) in exported() {
        let words = [FOLDER, USER, host, &home];
        for word in words.iter().filter(|w| w.len() > 4) {
            assert!(!holds(&bytes, word), "{} holds `{word}`", file.display());
        }
    }
    // The same search finds them where they were asked for.
    std::fs::remove_dir_all(made.at.join("c")).unwrap();
    made.export(&[&targets[..], &more, &["--with-names"]].concat())
        .expect(0);
    for name in ["l.json", "l.provn", "c/answers.h5", "c/lineage.prov.json"] {
        let bytes = std::fs::read(made.at.join(name)).unwrap();
        assert!(holds(&bytes, FOLDER) && holds(&bytes, USER), "{name}");
    }
}

/// A crate with its recordings proves itself on a machine that has nothing else.
#[test]
fn a_crate_with_its_recordings_is_verified_by_one_command() {
    let made = made();
    for (name, more) in [("plain", &[][..]), ("named", &["--with-names"])] {
        made.export(&[&["--crate", name, "--include-recordings"], more].concat())
            .expect(0);
    }
    let elsewhere = tempfile::tempdir().unwrap();
    for name in ["plain", "named"] {
        std::fs::rename(made.at.join(name), elsewhere.path().join(name)).unwrap();
    }
    for name in ["a b.h5", "c.h5", "dark.h5", "answers.h5", "a recipe.ron"] {
        std::fs::remove_file(made.at.join(name)).unwrap();
    }
    let verify = |name: &str| phasemill(elsewhere.path(), &["verify", name]);
    for name in ["plain", "named"] {
        let told = verify(name).expect(0).out;
        assert!(told.contains("c:current: identical"), "{told}");
    }
    // Crates are no results of their own, unless they are named.
    let add = |path: &str| {
        phasemill(elsewhere.path(), &["catalogue", "add", path])
            .expect(0)
            .out
    };
    assert!(add(".").starts_with("0 taken in"));
    assert!(add("plain").starts_with("1 taken in"));
    let readme = elsewhere.path().join("plain/README.md");
    std::fs::write(&readme, "another text").unwrap();
    verify("plain")
        .expect(2)
        .says("README.md: it is not what the crate says of it");
    std::fs::remove_file(elsewhere.path().join("named/recordings/c.h5")).unwrap();
    let missing = verify("named").expect(2).says("c.h5: it is missing");
    assert!(missing.out.contains("its recording"), "{}", missing.out);
    std::fs::create_dir(elsewhere.path().join("empty")).unwrap();
    verify("empty")
        .expect(1)
        .says("found a folder without ro-crate-metadata.json");
}

/// The results in a crate are sealed as those of a run, and hold the same numbers.
#[test]
fn results_without_names_are_as_good_as_those_with() {
    let made = made();
    made.export(&["--crate", "c"]).expect(0);
    let open = |path: &str| phasemill_engine::lineage::Record::open(&made.at.join(path)).unwrap();
    let (own, left) = (open("answers.h5"), open("c/answers.h5"));
    assert!(left.is_whole());
    assert_eq!(left.lineage.operator, None);
    assert!(own.lineage.operator.as_deref() == Some(USER));
    for (a, b) in own.lineage.entries.iter().zip(&left.lineage.entries) {
        assert_eq!(a.outputs, b.outputs);
        for output in &b.outputs {
            let digest = left
                .file
                .digest(&b.name, &output.name, output.points)
                .unwrap();
            assert_eq!(digest.content(), output.content, "{}", output.name);
        }
    }
    let outputs: Vec<String> = left
        .lineage
        .entries
        .iter()
        .flat_map(|e| {
            e.outputs
                .iter()
                .map(move |o| format!("{}/{}", e.name, o.name))
        })
        .collect();
    assert_eq!(left.file.frame(&outputs).unwrap(), left.lineage.frame);
    let recordings = left.lineage.entries[0].recordings[0].files[0].clone();
    assert_eq!(
        (recordings.path.as_str(), recordings.beside.as_str()),
        ("a b.h5", "")
    );
}

#[test]
fn what_cannot_be_exported_is_told() {
    let made = made();
    made.export(&[]).expect(1).says("--prov-json");
    made.export(&["--prov-json", "l.json"]).expect(0);
    made.export(&["--prov-json", "l.json"])
        .expect(1)
        .says("exists already");
    made.export(&["--prov-n", "none/l.provn"])
        .expect(1)
        .says("make it first");
    made.export(&["--crate", "c", "--add", "none.csv"])
        .expect(1)
        .says("none.csv");
    assert!(!made.at.join("c").exists());
    made.export(&["--crate", "c"]).expect(0);
    made.export(&["--crate", "c"])
        .expect(1)
        .says("exists already");
    made.export(&["--prov-n", "m.provn", "--include-recordings"])
        .expect(1)
        .says("--crate");
    phasemill(&made.at, &["export", "a b.h5", "--prov-n", "m.provn"])
        .expect(1)
        .says("without a lineage");
    // A recording that changed is no longer what the results were made from.
    let samples = noise(1000, 0.5, 9);
    record(
        &made.at.join("c.h5"),
        1000.0,
        Layout::Contiguous,
        &[Channel::volts("/x", &samples)],
    );
    let changed = made
        .export(&["--crate", "d", "--include-recordings"])
        .expect(1);
    changed.says("its samples are not those that were used");
    let left = std::fs::read_dir(&made.at).unwrap().filter(|e| {
        e.as_ref()
            .unwrap()
            .file_name()
            .to_string_lossy()
            .contains("partial")
    });
    assert_eq!(left.count(), 0);
    std::fs::remove_file(made.at.join("c.h5")).unwrap();
    made.export(&["--crate", "d", "--include-recordings"])
        .expect(1)
        .says("--in FOLDER");
    // Results of the first version have no tables of hashes to seal.
    let first = root()
        .join("tests/records/version-1.h5")
        .display()
        .to_string();
    phasemill(&made.at, &["export", &first, "--crate", "e"])
        .expect(1)
        .says("--with-names");
    phasemill(
        &made.at,
        &[
            "export",
            &first,
            "--crate",
            "e",
            "--with-names",
            "--prov-n",
            "e.provn",
        ],
    )
    .expect(0);
}
