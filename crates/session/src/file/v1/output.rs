//! Output settings in the session file.

use std::path::Path;

use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};

use super::recipe::{Print, Recipe, recipes_of, sound_megapixels};
use crate::file::paths::StoredPath;
use crate::model;

#[derive(Debug, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct Output {
    folder: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    folder_bytes: Option<String>,
    base_name: String,
    digits: u8,
    half_numbers: bool,
    film_numbers: bool,
    kind: String,
    space: String,
    rendering: String,
    compression: String,
    jpeg_quality: u8,
    web_long_side_px: u32,
    sharpen_output: bool,
    creator: String,
    copyright: String,
    #[serde(default, skip_serializing_if = "String::is_empty")]
    caption: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    name_template: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    print: Option<Print>,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    recipes: Vec<Recipe>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    web_format: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    web_megapixels: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    most_kb: Option<u32>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    density: Option<String>,
}

impl Default for Output {
    fn default() -> Self {
        Self::from_model(&model::OutputSettings::default(), &Map::new(), &StoredPath::of)
    }
}

impl Output {
    /// `store` turns the path of a printer profile into the one that is written.
    pub(super) fn from_model(
        output: &model::OutputSettings,
        kept: &Map<String, Value>,
        store: &dyn Fn(&Path) -> StoredPath,
    ) -> Self {
        let folder = output.folder.as_deref().map(StoredPath::of);
        let usual = model::OutputSettings::default();
        let unknown = |key: &str| Some(kept.get("output")?.get(key)?.as_str()?.to_owned());
        Self {
            folder: folder.as_ref().map(|folder| folder.text.clone()),
            folder_bytes: folder.and_then(|folder| folder.hex),
            base_name: output.base_name.clone(),
            digits: output.digits,
            half_numbers: output.half_numbers,
            film_numbers: output.film_numbers,
            kind: unknown("kind")
                .filter(|_| output.kind == usual.kind)
                .unwrap_or_else(|| output.kind.key().to_owned()),
            space: output.space.clone(),
            rendering: output.rendering.clone(),
            compression: unknown("compression")
                .filter(|_| output.compression == usual.compression)
                .unwrap_or_else(|| output.compression.key().to_owned()),
            jpeg_quality: output.jpeg_quality,
            web_long_side_px: output.web_long_side_px,
            sharpen_output: output.sharpen_output,
            creator: output.creator.clone(),
            copyright: output.copyright.clone(),
            caption: output.caption.clone(),
            name_template: output.name_template.clone(),
            print: (output.print != usual.print).then(|| Print::from_model(&output.print, store)),
            recipes: output.recipes.iter().map(|recipe| Recipe::from_model(recipe, store)).collect(),
            web_format: (output.web_format != usual.web_format).then(|| output.web_format.key().to_owned()),
            web_megapixels: Some(output.web_megapixels).filter(|megapixels| *megapixels > 0.0),
            most_kb: Some(output.most_kb).filter(|kb| *kb > 0),
            density: (output.density != usual.density).then(|| output.density.key().to_owned()),
        }
    }

    pub(super) fn into_model(self, notes: &mut Vec<String>) -> model::OutputSettings {
        let usual = model::OutputSettings::default();
        let mut unknown = |what: &str, value: &str, instead: &str| {
            notes.push(format!(
                "output: this program does not know the {what} “{value}” and uses “{instead}”; the file keeps it until \
                 another is chosen"
            ));
        };
        let kind = model::OutputKind::from_key(&self.kind).unwrap_or_else(|| {
            unknown("kind", &self.kind, usual.kind.key());
            usual.kind
        });
        let compression = model::TiffCompression::from_key(&self.compression).unwrap_or_else(|| {
            unknown("compression", &self.compression, usual.compression.key());
            usual.compression
        });
        let web_format = self.web_format.map_or(usual.web_format, |key| {
            model::WebFormat::from_key(&key).unwrap_or_else(|| {
                unknown("web format", &key, usual.web_format.key());
                usual.web_format
            })
        });
        let density = self.density.map_or(usual.density, |key| {
            model::DensityEncoding::from_key(&key).unwrap_or_else(|| {
                unknown("density encoding", &key, usual.density.key());
                usual.density
            })
        });
        if let Some(intent) = self.print.as_ref().and_then(Print::unknown_intent) {
            unknown("rendering intent", intent, model::PrintIntent::default().key());
        }
        model::OutputSettings {
            folder: self.folder.map(|text| StoredPath { text, hex: self.folder_bytes }.into_path()),
            base_name: self.base_name,
            digits: self.digits.clamp(1, 9),
            half_numbers: self.half_numbers,
            film_numbers: self.film_numbers,
            kind,
            space: self.space,
            rendering: self.rendering,
            compression,
            jpeg_quality: self.jpeg_quality.clamp(1, 100),
            web_long_side_px: self.web_long_side_px.max(16),
            sharpen_output: self.sharpen_output,
            creator: self.creator,
            copyright: self.copyright,
            caption: self.caption,
            name_template: self.name_template,
            print: self.print.map_or(usual.print, Print::into_model),
            recipes: recipes_of(self.recipes, notes),
            recipe: String::new(),
            web_format,
            web_megapixels: self.web_megapixels.map_or(0.0, sound_megapixels),
            most_kb: self.most_kb.unwrap_or_default(),
            density,
        }
    }
}

/// Keep output choices that this program does not know and writes another for: they are written back unless the user
/// chooses another. Those that are left out where they are the usual ones are kept as unknown keys are.
pub(in crate::file) fn keep_unknown_choices(found: &Value, rest: &mut Map<String, Value>) {
    let Some(output) = found.get("output").and_then(Value::as_object) else { return };
    let is_known = |key: &str, choice: &str| match key {
        "kind" => model::OutputKind::from_key(choice).is_some(),
        _ => model::TiffCompression::from_key(choice).is_some(),
    };
    for key in ["kind", "compression"] {
        if let Some(choice) = output.get(key).and_then(Value::as_str).filter(|choice| !is_known(key, choice))
            && let Some(kept) = rest.entry("output").or_insert_with(|| Map::new().into()).as_object_mut()
        {
            kept.insert(key.to_owned(), choice.into());
        }
    }
}
