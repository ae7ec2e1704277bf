//! PROV-JSON: one object per kind of record, records by name.

use serde_json::{Map, Value as Json, json};

use super::document::{Attributes, Document, Element, Relation, Value};

/// Prints a document.
pub fn print(document: &Document) -> String {
    let mut whole = Map::new();
    let prefixes = document.prefixes.iter();
    let prefixes: Map<String, Json> = prefixes.map(|(p, iri)| (p.clone(), json!(iri))).collect();
    whole.insert("prefix".into(), Json::Object(prefixes));
    for element in [Element::Entity, Element::Activity, Element::Agent] {
        let mut records = Map::new();
        for item in document.items.iter().filter(|i| i.element == element) {
            let mut record = attributes(&item.attributes);
            for (name, time) in ["prov:startTime", "prov:endTime"].iter().zip(&item.times) {
                if !time.is_empty() {
                    record.insert((*name).into(), json!(time));
                }
            }
            records.insert(item.id.clone(), Json::Object(record));
        }
        if !records.is_empty() {
            whole.insert(element.term().into(), Json::Object(records));
        }
    }
    for relation in Relation::ALL {
        let mut records = Map::new();
        for link in document.links.iter().filter(|l| l.relation == relation) {
            let mut record = Map::new();
            for (name, argument) in relation.arguments().iter().zip(&link.arguments) {
                if !argument.is_empty() {
                    record.insert((*name).into(), json!(argument));
                }
            }
            record.extend(attributes(&link.attributes));
            // Relations need no name of their own; a blank one is for the notation.
            let name = format!("_:{}{}", relation.term(), records.len() + 1);
            records.insert(name, Json::Object(record));
        }
        if !records.is_empty() {
            whole.insert(relation.term().into(), Json::Object(records));
        }
    }
    // Texts, numbers and lists always have a JSON form.
    serde_json::to_string_pretty(&whole).unwrap_or_default() + "\n"
}

fn attributes(attributes: &Attributes) -> Map<String, Json> {
    let mut all: Map<String, Json> = Map::new();
    for (name, value) in attributes {
        let value = match value {
            Value::Text(text) => json!(text),
            Value::Count(n) => json!({ "$": n.to_string(), "type": "xsd:unsignedLong" }),
            Value::Number(x) => json!({ "$": format!("{x:?}"), "type": "xsd:double" }),
            Value::Name(name) => json!({ "$": name, "type": "prov:QUALIFIED_NAME" }),
        };
        match all.get_mut(name) {
            Some(Json::Array(several)) => several.push(value),
            Some(one) => *one = json!([one.clone(), value]),
            None => {
                all.insert(name.clone(), value);
            }
        }
    }
    all
}
