//! What a newer program wrote into a session file: found by comparison when a file is opened, put back when it is
//! saved.
//!
//! It is kept as one tree that mirrors the file. List elements are keyed by their `id`, else by their position, so that
//! the data follows its scan, strip or frame through edits, and is still there when undo brings back a deleted one.

use std::sync::Arc;

use serde_json::{Map, Value};

/// List elements that this program could not read. Every list in the tree has this entry.
const MORE: &str = "\u{1}more";

/// What `found` holds beyond `known`, the same entry as written by this program.
pub(crate) fn left_over(found: &Value, known: &Value) -> Map<String, Value> {
    let mut rest = Map::new();
    match (found, known) {
        (Value::Object(found), Value::Object(known)) => {
            for (key, value) in found {
                let more = match known.get(key) {
                    Some(known) => object(left_over(value, known)),
                    None => Some(value.clone()).filter(|value| !value.is_null()),
                };
                if let Some(more) = more {
                    rest.insert(key.clone(), more);
                }
            }
        }
        (Value::Array(found), Value::Array(known)) => {
            let mut known = known.iter().enumerate().peekable();
            let mut more = Vec::new();
            for value in found {
                match known.next_if(|(_, known)| is_same_element(value, known)) {
                    Some((idx, known)) => {
                        if let Some(more) = object(left_over(value, known)) {
                            rest.insert(name_of(value, idx), more);
                        }
                    }
                    None => more.push(value.clone()),
                }
            }
            if !(more.is_empty() && rest.is_empty()) {
                rest.insert(MORE.to_owned(), Value::Array(more));
            }
        }
        _ => {}
    }
    rest
}

fn object(map: Map<String, Value>) -> Option<Value> {
    (!map.is_empty()).then_some(Value::Object(map))
}

/// Add to `value` what [`left_over`] found; replaces nothing that this program writes itself.
pub(crate) fn put_back(value: &mut Value, rest: &Map<String, Value>) {
    match value {
        Value::Object(entries) => {
            for (key, rest) in rest {
                match (entries.get_mut(key), rest) {
                    (Some(entry), Value::Object(rest)) => put_back(entry, rest),
                    (Some(_), _) => {}
                    // A list that is no longer written.
                    (None, rest) => match rest.get(MORE) {
                        Some(Value::Array(more)) if more.is_empty() => {}
                        more => {
                            entries.insert(key.clone(), more.unwrap_or(rest).clone());
                        }
                    },
                }
            }
        }
        Value::Array(elements) => {
            for (idx, element) in elements.iter_mut().enumerate() {
                if let Some(Value::Object(rest)) = rest.get(&name_of(element, idx)) {
                    put_back(element, rest);
                }
            }
            if let Some(Value::Array(more)) = rest.get(MORE) {
                elements.extend(more.iter().cloned());
            }
        }
        _ => {}
    }
}

/// Drop the unknown data of an entry, because the entry itself was replaced.
pub(crate) fn forget(kept: &mut Arc<Map<String, Value>>, place: &[&str]) {
    let Some((last, parents)) = place.split_last() else { return };
    let parent = parents.iter().try_fold(&**kept, |map, key| map.get(*key)?.as_object());
    if parent.is_none_or(|map| !map.contains_key(*last)) {
        return;
    }
    let kept = Arc::make_mut(kept);
    if let Some(map) = parents.iter().try_fold(kept, |map, key| map.get_mut(*key)?.as_object_mut()) {
        map.shift_remove(*last);
    }
}

/// Scans, strips and frames are matched by id, strokes by kind, recipes by kind and name, flags by name. An element of an
/// unknown kind or name is skipped.
fn is_same_element(found: &Value, known: &Value) -> bool {
    match (found, known) {
        (Value::String(found), Value::String(known)) => found == known,
        _ if known.get("id").is_some() => found.get("id") == known.get("id"),
        _ => {
            // Blanks around a name are dropped when it is read.
            let name =
                |value: &Value| value.get("name").and_then(Value::as_str).map(|name| name.trim().to_owned());
            found.get("kind") == known.get("kind") && name(found) == name(known)
        }
    }
}

fn name_of(element: &Value, idx: usize) -> String {
    match element.get("id") {
        Some(Value::String(id)) => id.clone(),
        Some(Value::Number(id)) => id.to_string(),
        _ => idx.to_string(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn what_is_left_over_goes_back_to_its_element_wherever_that_is_now() {
        let found = json!({
            "frames": [{ "id": 3, "box": { "w": 1, "tilt": 2 } }, { "id": 4, "tide": 5 }],
            "rows": [{ "w": 1 }, { "w": 2, "sea": "green" }],
        });
        let known = json!({ "frames": [{ "id": 3, "box": { "w": 1 } }, { "id": 4 }], "rows": [{ "w": 1 }, { "w": 2 }] });
        let rest = left_over(&found, &known);
        let mut later = json!({ "frames": [{ "id": 9 }, { "id": 4 }, { "id": 3, "box": { "w": 8 } }] });
        put_back(&mut later, &rest);
        assert_eq!(
            later["frames"],
            json!([{ "id": 9 }, { "id": 4, "tide": 5 }, { "id": 3, "box": { "w": 8, "tilt": 2 } }])
        );
    }

    #[test]
    fn an_entry_with_an_id_may_have_a_kind_that_this_program_does_not_know() {
        let found = json!([{ "id": 1, "kind": "plate", "w": 2 }]);
        let rest = left_over(&found, &json!([{ "id": 1, "w": 2 }]));
        let mut later = json!([{ "id": 1, "w": 3 }]);
        put_back(&mut later, &rest);
        assert_eq!(later, json!([{ "id": 1, "w": 3, "kind": "plate" }]));
    }

    #[test]
    fn a_null_and_a_value_that_is_written_anyway_are_not_kept() {
        assert!(left_over(&json!({ "a": null, "b": 2 }), &json!({ "b": 3 })).is_empty());
    }

    #[test]
    fn elements_that_were_not_understood_follow_the_others() {
        let found = json!({ "flags": ["blank", "windy", "partial"] });
        let known = json!({ "flags": ["blank", "partial"] });
        let rest = left_over(&found, &known);
        let mut later = json!({ "flags": ["partial"] });
        put_back(&mut later, &rest);
        assert_eq!(later["flags"], json!(["partial", "windy"]));
        let mut without = json!({});
        put_back(&mut without, &rest);
        assert_eq!(without["flags"], json!(["windy"]));
    }

    #[test]
    fn forgetting_an_entry_leaves_its_neighbours() {
        let rest = json!({ "strips": { "2": { "base": { "lamp": 1 }, "solve": { "w": 1 } } } });
        let mut kept = Arc::new(rest.as_object().expect("is an object").clone());
        forget(&mut kept, &["strips", "2", "base"]);
        forget(&mut kept, &["strips", "7", "base"]);
        assert_eq!(Value::Object((*kept).clone()), json!({ "strips": { "2": { "solve": { "w": 1 } } } }));
    }
}
