//! PROV-N: one line per record, for people.

use super::document::{Attributes, Document, Element, Relation, Value};

/// Prints a document.
pub fn print(document: &Document) -> String {
    let mut text = String::from("document\n");
    for (prefix, iri) in &document.prefixes {
        text += &format!("  prefix {prefix} <{iri}>\n");
    }
    for element in [Element::Entity, Element::Activity, Element::Agent] {
        text.push('\n');
        for item in document.items.iter().filter(|i| i.element == element) {
            let mut arguments = vec![item.id.clone()];
            if element == Element::Activity {
                arguments.extend(item.times.iter().map(|t| or_dash(t)));
            }
            line(&mut text, element.term(), &arguments, &item.attributes);
        }
    }
    for relation in Relation::ALL {
        text.push('\n');
        for link in document.links.iter().filter(|l| l.relation == relation) {
            let mut arguments: Vec<String> = link.arguments.iter().map(|a| or_dash(a)).collect();
            arguments.resize(relation.places(), "-".into());
            line(&mut text, relation.term(), &arguments, &link.attributes);
        }
    }
    text + "endDocument\n"
}

fn or_dash(argument: &str) -> String {
    match argument {
        "" => "-".into(),
        given => given.into(),
    }
}

fn line(text: &mut String, term: &str, arguments: &[String], attributes: &Attributes) {
    *text += &format!("  {term}({}", arguments.join(", "));
    if !attributes.is_empty() {
        let all: Vec<String> = attributes
            .iter()
            .map(|(name, value)| format!("{name}={}", literal(value)))
            .collect();
        *text += &format!(", [{}]", all.join(", "));
    }
    *text += ")\n";
}

fn literal(value: &Value) -> String {
    match value {
        Value::Text(text) => quoted(text),
        Value::Count(n) => format!("\"{n}\" %% xsd:unsignedLong"),
        Value::Number(x) => format!("\"{x:?}\" %% xsd:double"),
        Value::Name(name) => format!("'{name}'"),
    }
}

fn quoted(text: &str) -> String {
    let mut quoted = String::from("\"");
    for c in text.chars() {
        match c {
            '"' => quoted += "\\\"",
            '\\' => quoted += "\\\\",
            '\n' => quoted += "\\n",
            '\r' => quoted += "\\r",
            '\t' => quoted += "\\t",
            c => quoted.push(c),
        }
    }
    quoted + "\""
}
