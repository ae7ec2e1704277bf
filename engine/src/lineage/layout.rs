//! The text of a record: JSON in which every entry stands on a line of its own, so that one of many thousands is found
//! without reading the others.

use super::Lineage;

/// How the list of entries begins when there are some, and when there are none.
const SOME: &str = "\"entries\":[\n";
const NONE: &str = "\"entries\":[]";

/// The text of a record.
pub(super) fn text_of(lineage: &mut Lineage) -> String {
    let entries = std::mem::take(&mut lineage.entries);
    // Texts, numbers and lists always have a JSON form.
    let head = serde_json::to_string(lineage).unwrap_or_default();
    let lines = entries.iter().map(serde_json::to_string);
    let lines: Vec<String> = lines.map(Result::unwrap_or_default).collect();
    lineage.entries = entries;
    match lines.is_empty() {
        true => head,
        false => head.replacen(NONE, &format!("{SOME}{}\n]", lines.join(",\n")), 1),
    }
}

/// The same text with this entry alone; `None` when it has none of this name, or is laid out in another way, as those
/// of earlier programs are.
pub(super) fn of_entry(text: &str, name: &str) -> Option<String> {
    let (head, rest) = text.split_once(SOME)?;
    let (entries, tail) = rest.rsplit_once("\n]")?;
    let start = format!("{{\"name\":{},", serde_json::to_string(name).ok()?);
    let own = entries.split('\n').find(|line| line.starts_with(&start))?;
    let own = own.trim_end_matches(',');
    Some(format!("{head}\"entries\":[{own}]{tail}"))
}

#[cfg(test)]
mod tests {
    use super::super::Entry;
    use super::*;

    fn lineage(names: &[&str]) -> Lineage {
        let entry = |name: &&str| Entry {
            name: (*name).into(),
            title: format!("title of {name}"),
            ..Entry::default()
        };
        Lineage {
            version: 2,
            said: vec!["constant \"x\", \"entries\":[\n] and \"entries\":[]".into()],
            entries: names.iter().map(entry).collect(),
            frame: vec![("/a".into(), "b".into())],
            ..Lineage::default()
        }
    }

    #[test]
    fn one_entry_is_found_among_others() {
        let names = ["a", "a b", "\"],\n{", "\u{b5}", "a"];
        let mut all = lineage(&names);
        let text = text_of(&mut all);
        assert_eq!(serde_json::from_str::<Lineage>(&text).unwrap(), all);
        assert_eq!(text.lines().count(), names.len() + 2);
        for name in &names[..4] {
            let own: Lineage = serde_json::from_str(&of_entry(&text, name).unwrap()).unwrap();
            assert_eq!(own, lineage(&[name]));
        }
        assert_eq!(of_entry(&text, "b"), None);
        let pretty = serde_json::to_string_pretty(&all).unwrap();
        assert_eq!(of_entry(&pretty, "a"), None);
        let mut none = lineage(&[]);
        let text = text_of(&mut none);
        assert_eq!(serde_json::from_str::<Lineage>(&text).unwrap(), none);
        assert_eq!(of_entry(&text, "a"), None);
    }
}
