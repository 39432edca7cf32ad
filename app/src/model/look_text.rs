//! Settings as text on the system's clipboard, so that copy and paste work between frames, sessions and windows.

use glassine_film::{Look, Param, ParamGroup};
use serde_json::{Map, Value, json};

/// Key of the object that holds the settings.
const ROOT: &str = "glassine settings";
/// Key of the list of groups without effect.
const OFF: &str = "off";

/// The settings of a frame as text.
pub fn to_text(look: &Look) -> String {
    let mut values: Map<String, Value> =
        Param::all().map(|param| (param.spec().key.to_owned(), look.kept(param).into())).collect();
    let off: Vec<&str> =
        ParamGroup::ALL.into_iter().filter(|group| look.is_off(*group)).map(ParamGroup::key).collect();
    values.insert(OFF.to_owned(), off.into());
    json!({ ROOT: values }).to_string()
}

/// The settings that a text holds, if it is one of [`to_text`].
pub fn from_text(text: &str) -> Option<Look> {
    let document: Value = serde_json::from_str(text).ok()?;
    let values = document.get(ROOT)?.as_object()?;
    let mut look = Look::default();
    for param in Param::all() {
        if let Some(value) = values.get(param.spec().key).and_then(Value::as_f64) {
            look.set(param, value);
        }
    }
    let off = values.get(OFF).and_then(Value::as_array).into_iter().flatten();
    for group in off.filter_map(Value::as_str).filter_map(ParamGroup::from_key) {
        look.switch(group, true);
    }
    Some(look)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn settings_come_back_from_their_text_and_other_texts_are_none() {
        let mut look = Look::default().with(Param::ExposureStops, 0.7).with(Param::WarmthCc, -3.5);
        look.switch(ParamGroup::Sharpen, true);
        assert_eq!(from_text(&to_text(&look)), Some(look));
        for text in ["", "frame 12", "{}", "[1]", "{\"glassine settings\": 3}"] {
            assert_eq!(from_text(text), None, "{text}");
        }
        let wild = r#"{"glassine settings": {"exposure_stops": 1e300, "warmth_cc": "warm", "unknown": 1}}"#;
        let look = from_text(wild).expect("settings");
        assert_eq!((look.get(Param::ExposureStops), look.get(Param::WarmthCc)), (8.0, 0.0));
    }
}
