//! A forward model of film and scanner that renders the demo session and the test strips of the workspace.
//!
//! ```text
//! scene (linear RGB) -> spectra -> exposure of three layers -> developed crystals -> dyes, mask, silver
//!       -> transmittance spectrum -> lamp, bands, stray light, blur, shift, noise -> 16-bit RGB + infrared
//! ```
//! *Scope*: masked colour negative, silver negative and slide film in a holder, with rebates, perforations, edge print,
//! skew, grain, dust, hairs and scratches, films and scanners drawn at random; everything about the result is known and
//! returned as [`StripTruth`].
//! *Simplifications*: spectra on a 10 nm grid; a linear RGB colour represents one smooth spectrum; grain is counting
//! noise of the developed fraction; stray light is a local mean.
//! *Out of scope*: inverting anything. **Invariant:** this crate shares no formula with `film`, because otherwise
//! testing one with the other would prove nothing.
//!
//! Every pixel is a pure function of the description: the same [`StripSpec`] gives the same bytes on any number of
//! threads.

mod demo;
mod describe;
mod dirt;
mod drawn;
mod error;
mod latent;
mod lettering;
mod light;
pub mod noise;
mod render;
mod scanner;
mod scene;
mod spectrum;
mod stock;
mod strip;

pub use demo::{DemoScan, demo_spec, demo_stock, demo_strips, make_demo};
pub use describe::StripDescription;
pub use drawn::DrawnFilm;
pub use error::Error;
pub use light::Light;
pub use render::render_strip;
pub use scanner::ScannerSpec;
pub use scene::{BUNDLED_WHITE, Picture, SceneId, draw as draw_scene, size as scene_size};
pub use stock::{FilmStock, Process, Stock};
pub use strip::{Defect, Dirt, FrameSpec, FrameTruth, PatchTruth, RenderedStrip, StripSpec, StripTruth};
