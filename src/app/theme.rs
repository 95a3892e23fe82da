//! Our colours and sizes: paper and ink, one accent, layers in the Okabe–Ito colours.

use egui::Color32;

/// Colours of one brightness.
#[derive(Debug, Clone, PartialEq)]
pub struct Theme {
    /// Dark or light.
    pub dark: bool,
    /// Behind everything.
    pub paper: Color32,
    /// Raised surfaces: side panels, cells, lanes.
    pub sheet: Color32,
    /// Lines between things.
    pub line: Color32,
    /// Text and waves.
    pub ink: Color32,
    /// Text of second rank (still 4.5:1 on paper and sheet).
    pub ink_soft: Color32,
    /// The one accent: selection, handles, the main button.
    pub accent: Color32,
    /// Text on the accent.
    pub on_accent: Color32,
    /// Something is wrong (never by colour alone).
    pub warn: Color32,
}

/// The eight colours of Okabe & Ito, "Color Universal Design" (2008), without black, in the order
/// in which layers take them.
pub const LAYERS: [Color32; 7] = [
    Color32::from_rgb(0x00, 0x72, 0xB2),
    Color32::from_rgb(0xE6, 0x9F, 0x00),
    Color32::from_rgb(0x00, 0x9E, 0x73),
    Color32::from_rgb(0xCC, 0x79, 0xA7),
    Color32::from_rgb(0x56, 0xB4, 0xE9),
    Color32::from_rgb(0xD5, 0x5E, 0x00),
    Color32::from_rgb(0xF0, 0xE4, 0x42),
];

impl Theme {
    /// Ink on paper.
    pub fn light() -> Self {
        Self {
            dark: false,
            paper: Color32::from_rgb(0xF4, 0xF1, 0xEA),
            sheet: Color32::from_rgb(0xFB, 0xFA, 0xF6),
            line: Color32::from_rgb(0xD6, 0xD0, 0xC4),
            ink: Color32::from_rgb(0x22, 0x20, 0x1C),
            ink_soft: Color32::from_rgb(0x62, 0x5D, 0x54),
            accent: Color32::from_rgb(0x8A, 0x2F, 0x4B),
            on_accent: Color32::WHITE,
            warn: Color32::from_rgb(0xA8, 0x44, 0x00),
        }
    }

    /// Paper on ink.
    pub fn dark() -> Self {
        Self {
            dark: true,
            paper: Color32::from_rgb(0x1B, 0x1A, 0x18),
            sheet: Color32::from_rgb(0x26, 0x24, 0x21),
            line: Color32::from_rgb(0x3F, 0x3B, 0x36),
            ink: Color32::from_rgb(0xEC, 0xE7, 0xDD),
            ink_soft: Color32::from_rgb(0xA8, 0xA1, 0x95),
            accent: Color32::from_rgb(0xE0, 0x87, 0xA2),
            on_accent: Color32::from_rgb(0x24, 0x0C, 0x14),
            warn: Color32::from_rgb(0xF2, 0x9A, 0x4B),
        }
    }

    /// Colour of a layer, counted from 0.
    pub fn layer(&self, layer: u16) -> Color32 {
        LAYERS[usize::from(layer) % LAYERS.len()]
    }
}
