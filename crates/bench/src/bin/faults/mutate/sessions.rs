//! Mutated session files: bytes, and values of the JSON tree.

use glassine_testdata::random::SplitMix64;
use std::path::Path;

use glassine_session::file;
use serde_json::{Map, Value, json};

use super::{Target, Verdict, bytes};

pub(super) struct Sessions {
    seeds: Vec<Vec<u8>>,
}

impl Sessions {
    /// Starts from the frozen file of version 1 and a smaller one made from it.
    pub(super) fn new() -> Self {
        let frozen = include_bytes!("../../../../../session/tests/files/version-1.session.json").to_vec();
        let mut seeds = vec![frozen.clone()];
        if let Ok(mut tree) = serde_json::from_slice::<Value>(&frozen) {
            for key in ["frames", "strips", "scans"] {
                if let Some(list) = tree.get_mut(key).and_then(Value::as_array_mut) {
                    list.truncate(1);
                }
            }
            seeds.extend(serde_json::to_vec(&tree));
        }
        Self { seeds }
    }
}

impl Target for Sessions {
    fn seeds(&self) -> Vec<Vec<u8>> {
        self.seeds.clone()
    }

    fn input(&self, random: &mut SplitMix64) -> Vec<u8> {
        let mut input = random.pick(&self.seeds).cloned().unwrap_or_default();
        if random.below(3) == 0 {
            bytes::mutate(&mut input, random);
            return input;
        }
        let Ok(mut tree) = serde_json::from_slice::<Value>(&input) else { return input };
        for _ in 0..=random.below(3) {
            change(&mut tree, random, 0);
        }
        serde_json::to_vec(&tree).unwrap_or_default()
    }

    fn read(&self, input: &[u8], _place: &Path) -> Result<Verdict, String> {
        match file::from_json(input) {
            Err(error) if error.to_string().is_empty() => Err("refused without words".to_owned()),
            Err(_) => Ok(Verdict::Refused),
            // An accepted session can be written, and the result is accepted again.
            Ok(opened) => {
                let written = file::to_json(&opened.session, None, &opened.stamp);
                match written.map(|bytes| file::from_json(&bytes).is_ok()) {
                    Ok(true) => Ok(Verdict::Taken),
                    Ok(false) => Err("what was written of it is refused".to_owned()),
                    Err(error) => Err(format!("it can't be written: {error}")),
                }
            }
        }
    }
}

/// Walks down at random and changes a value.
fn change(value: &mut Value, random: &mut SplitMix64, depth: usize) {
    let stop = random.below(4) == 0 && depth > 0;
    match value {
        Value::Object(map) if !stop && !map.is_empty() => {
            let keys: Vec<String> = map.keys().cloned().collect();
            let Some(key) = random.pick(&keys) else { return };
            match random.below(12) {
                0 => drop(map.remove(key)),
                1 => {
                    let moved = map.remove(key).unwrap_or_default();
                    map.insert(format!("{key}x"), moved);
                }
                _ => {
                    if let Some(inner) = map.get_mut(key) {
                        change(inner, random, depth + 1);
                    }
                }
            }
        }
        Value::Array(list) if !stop && !list.is_empty() => {
            let at = random.below(list.len());
            match random.below(12) {
                0 => drop(list.remove(at)),
                1 => {
                    let again = list.get(at).cloned().unwrap_or_default();
                    list.insert(at, again);
                }
                _ => {
                    if let Some(inner) = list.get_mut(at) {
                        change(inner, random, depth + 1);
                    }
                }
            }
        }
        leaf => *leaf = odd_value(random, leaf),
    }
}

/// A value that does not belong, or one close to the old value.
fn odd_value(random: &mut SplitMix64, was: &Value) -> Value {
    match random.below(16) {
        0 => Value::Null,
        1 => json!(true),
        2 => json!(-1),
        3 => json!(0),
        4 => json!(u64::MAX),
        5 => json!(i64::MIN),
        6 => json!(1e300),
        7 => json!(-1e300),
        8 => json!(5e-324),
        9 => json!(""),
        10 => json!("\u{0}\u{202e}../../x"),
        11 => json!("x".repeat(random.below(5_000))),
        12 => json!([]),
        13 => Value::Object(Map::new()),
        14 => {
            let mut nested = json!(1);
            for _ in 0..random.below(200) {
                nested = json!([nested]);
            }
            nested
        }
        _ => match was.as_f64() {
            Some(number) => json!(number * (random.unit() * 4.0 - 2.0)),
            None => json!(random.next_u64()),
        },
    }
}
