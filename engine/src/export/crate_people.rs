//! Who stands behind a crate: its author, the organization that publishes it, and who ran the recipe.

use serde_json::{Value as Json, json};

use super::crate_entities::{at, with_offset};
use super::crate_files::CrateOptions;
use crate::lineage::Lineage;

const AUTHOR: &str = "#author";
const OPERATOR: &str = "#operator";
const ORGANIZATION: &str = "#organization";

/// Names the author and the publisher of a crate; entities of all that are named.
pub(super) fn people(
    root: &mut Json,
    options: &CrateOptions<'_>,
    operator: Option<&str>,
) -> Vec<Json> {
    let named = [(AUTHOR, options.author), (OPERATOR, operator)];
    let named: Vec<(&str, &str)> = named
        .into_iter()
        .filter_map(|(id, name)| Some((id, name?)))
        .collect();
    let person = |(id, name): &(&str, &str)| json!({ "@id": id, "@type": "Person", "name": name });
    let mut entities: Vec<Json> = named.iter().map(person).collect();
    if let Some((id, _)) = named.first() {
        root["author"] = at(id);
    }
    if let Some(organization) = options.organization {
        root["publisher"] = at(ORGANIZATION);
        if let Some(author) = entities.first_mut() {
            author["affiliation"] = at(ORGANIZATION);
        }
        let kind = "Organization";
        let mut publisher = json!({ "@id": ORGANIZATION, "@type": kind, "name": organization });
        if let Some(url) = options.organization_url {
            publisher["url"] = json!(url);
        }
        entities.push(publisher);
    }
    entities
}

/// Says when something was done and who had it done. Stages run together, block by block, so that their times
/// are those of the run.
pub(super) fn done(action: &mut Json, lineage: &Lineage) {
    action["startTime"] = json!(with_offset(&lineage.began));
    if !lineage.ended.is_empty() {
        action["endTime"] = json!(with_offset(&lineage.ended));
    }
    if lineage.operator.is_some() {
        action["agent"] = at(OPERATOR);
    }
}
