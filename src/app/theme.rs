//! Our colours and sizes: paper and ink, one accent, layers in the Okabe–Ito colours.

use std::sync::Arc;

use egui::style::{ScrollStyle, WidgetVisuals};
use egui::{
    Color32, CornerRadius, FontData, FontDefinitions, FontFamily, FontId, Shadow, Stroke, Style, TextStyle,
    Visuals, vec2,
};

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
    /// Text of second rank (still 4.5:1 on everything that text stands on).
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
            warn: Color32::from_rgb(0xA0, 0x40, 0x00),
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
            ink_soft: Color32::from_rgb(0xB8, 0xB1, 0xA5),
            accent: Color32::from_rgb(0xF3, 0xB6, 0xC4),
            on_accent: Color32::from_rgb(0x24, 0x0C, 0x14),
            warn: Color32::from_rgb(0xF2, 0x9A, 0x4B),
        }
    }

    /// Colour of a layer, counted from 0.
    pub fn layer(&self, layer: u16) -> Color32 {
        LAYERS[usize::from(layer) % LAYERS.len()]
    }
}

/// How dark the handle of a scroll bar is at rest: 3:1 against its groove.
const BAR: f32 = 0.52;

/// How much is left of what cannot be used now: still legible.
const DISABLED: f32 = 0.68;

/// Name of the font family for headings and what must stand out.
const STRONG: &str = "strong";

/// The family of headings and of what must stand out.
pub fn strong() -> FontFamily {
    FontFamily::Name(STRONG.into())
}

/// Our fonts: Open Sans (its figures all have one width, so numbers stand in columns), with
/// egui's own behind it for what it lacks, and behind all of them the accidentals and arrows that none has.
pub fn fonts() -> FontDefinitions {
    let mut fonts = FontDefinitions::default();
    let regular = FontData::from_static(include_bytes!("../../assets/fonts/OpenSans-Regular.ttf"));
    let semibold = FontData::from_static(include_bytes!("../../assets/fonts/OpenSans-Semibold.ttf"));
    let signs = FontData::from_static(include_bytes!("../../assets/fonts/Signs-Regular.ttf"));
    fonts.font_data.insert("signs".into(), Arc::new(signs));
    fonts.font_data.insert("regular".into(), Arc::new(regular));
    fonts.font_data.insert("semibold".into(), Arc::new(semibold));
    let plain = fonts.families.entry(FontFamily::Proportional).or_default();
    plain.insert(0, "regular".into());
    plain.push("signs".into());
    let mut bold = plain.clone();
    bold[0] = "semibold".into();
    fonts.families.insert(strong(), bold);
    fonts
}

/// Scroll bars that always stand beside what they scroll, in ink that lets the groove through: the toolkit's
/// solid ones have the colour of buttons, which is hardly seen on our paper.
fn scroll_bars() -> ScrollStyle {
    let solid = ScrollStyle { bar_width: 9.0, ..ScrollStyle::solid() };
    ScrollStyle {
        // The toolkit knows shades of a bar only where it counts as floating; it takes its room all the same.
        floating: true,
        floating_width: solid.bar_width,
        floating_allocated_width: solid.allocated_width(),
        foreground_color: true,
        dormant_background_opacity: 1.0,
        active_background_opacity: 1.0,
        interact_background_opacity: 1.0,
        dormant_handle_opacity: BAR,
        active_handle_opacity: BAR,
        interact_handle_opacity: 0.8,
        ..solid
    }
}

/// Gives a context our fonts and both of our styles; which of them shows is
/// [`egui::Context::set_theme`]'s business.
pub fn install(ctx: &egui::Context) {
    ctx.set_fonts(fonts());
    for theme in [Theme::light(), Theme::dark()] {
        let which = if theme.dark { egui::Theme::Dark } else { egui::Theme::Light };
        ctx.set_style_of(which, theme.style());
    }
}

/// `a` with `share` (0 to 1) of `b` mixed in, in sRGB values.
pub fn mix(a: Color32, b: Color32, share: f32) -> Color32 {
    let m = |x: u8, y: u8| (f32::from(x) + (f32::from(y) - f32::from(x)) * share).round() as u8;
    Color32::from_rgb(m(a.r(), b.r()), m(a.g(), b.g()), m(a.b(), b.b()))
}

/// How long the pointer rests before a tooltip comes, in seconds.
pub const TOOLTIP_DELAY_S: f32 = 0.35;

impl Theme {
    /// The theme that a context shows now.
    pub fn of(ctx: &egui::Context) -> Self {
        match ctx.theme() {
            egui::Theme::Dark => Self::dark(),
            egui::Theme::Light => Self::light(),
        }
    }

    /// What a control is filled with at rest.
    pub fn control(&self) -> Color32 {
        mix(self.sheet, self.line, 0.45)
    }

    /// The edge of a control: 3:1 to what is around it and in it.
    pub fn edge(&self) -> Color32 {
        mix(self.line, self.ink_soft, 0.7)
    }

    /// Behind what is selected; every text stays legible on it.
    pub fn chosen(&self) -> Color32 {
        mix(self.sheet, self.accent, if self.dark { 0.18 } else { 0.14 })
    }

    /// Behind a message: of something that went wrong, or of something told.
    pub fn told(&self, is_error: bool) -> Color32 {
        mix(self.sheet, if is_error { self.warn } else { self.ink_soft }, 0.12)
    }

    /// The style that egui's own widgets draw with.
    pub fn style(&self) -> Style {
        let mut style =
            Style { visuals: if self.dark { Visuals::dark() } else { Visuals::light() }, ..Style::default() };
        style.text_styles = [
            (TextStyle::Small, FontId::new(12.0, FontFamily::Proportional)),
            (TextStyle::Body, FontId::new(14.0, FontFamily::Proportional)),
            (TextStyle::Button, FontId::new(14.0, FontFamily::Proportional)),
            (TextStyle::Monospace, FontId::new(13.0, FontFamily::Monospace)),
            (TextStyle::Heading, FontId::new(20.0, strong())),
        ]
        .into();
        style.spacing.item_spacing = vec2(8.0, 6.0);
        style.spacing.button_padding = vec2(10.0, 4.0);
        style.spacing.window_margin = egui::Margin::same(16);
        style.spacing.interact_size = vec2(28.0, 28.0);
        style.spacing.text_edit_width = 220.0;
        style.spacing.slider_width = 120.0;
        style.spacing.tooltip_width = 380.0;
        style.spacing.scroll = scroll_bars();
        style.animation_time = 0.08;
        style.interaction.tooltip_delay = TOOLTIP_DELAY_S;
        self.paint_visuals(&mut style.visuals);
        style
    }

    fn paint_visuals(&self, v: &mut Visuals) {
        let round = CornerRadius::same(3);
        v.panel_fill = self.paper;
        v.window_fill = self.sheet;
        v.window_stroke = Stroke::new(1.0, self.line);
        v.window_corner_radius = CornerRadius::same(5);
        let shade = if self.dark { 120 } else { 45 };
        v.window_shadow =
            Shadow { offset: [0, 4], blur: 20, spread: 0, color: Color32::from_black_alpha(shade) };
        v.popup_shadow = Shadow { offset: [0, 2], blur: 8, ..v.window_shadow };
        v.menu_corner_radius = CornerRadius::same(4);
        v.extreme_bg_color = if self.dark { mix(self.paper, Color32::BLACK, 0.25) } else { Color32::WHITE };
        v.text_edit_bg_color = Some(v.extreme_bg_color);
        // Now that of the grooves of scroll bars.
        v.extreme_bg_color = mix(self.paper, self.line, 0.4);
        v.faint_bg_color = mix(self.paper, self.line, 0.25);
        v.code_bg_color = v.faint_bg_color;
        v.hyperlink_color = self.accent;
        v.warn_fg_color = self.warn;
        v.error_fg_color = self.warn;
        v.weak_text_color = Some(self.ink_soft);
        v.disabled_alpha = DISABLED;
        v.selection.bg_fill = self.chosen();
        // Also the colour of the text of what is selected.
        v.selection.stroke = Stroke::new(1.5, self.ink);
        v.slider_trailing_fill = true;
        v.indent_has_left_vline = false;
        let visuals = |fill: Color32, edge: Color32, width: f32| WidgetVisuals {
            bg_fill: fill,
            weak_bg_fill: fill,
            bg_stroke: Stroke::new(width, edge),
            corner_radius: round,
            fg_stroke: Stroke::new(1.0, self.ink),
            expansion: 0.0,
        };
        v.widgets.noninteractive = visuals(self.sheet, self.line, 1.0);
        v.widgets.inactive = visuals(self.control(), self.edge(), 1.0);
        v.widgets.hovered = visuals(mix(self.control(), self.line, 0.6), self.ink, 1.0);
        // Also what has the keyboard's focus, which has a ring around it besides: not the edge of what is chosen.
        v.widgets.active = visuals(mix(self.control(), self.line, 0.6), self.ink, 1.0);
        v.widgets.open = visuals(self.control(), self.ink_soft, 1.0);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Relative luminance. Source: W3C, WCAG 2.1, definition of "relative luminance", with the
    /// threshold 0.04045 of IEC 61966-2-1 (the two give the same for 8-bit values).
    fn luminance(c: Color32) -> f64 {
        let linear = |v: u8| {
            let s = f64::from(v) / 255.0;
            if s <= 0.04045 { s / 12.92 } else { ((s + 0.055) / 1.055).powf(2.4) }
        };
        0.2126 * linear(c.r()) + 0.7152 * linear(c.g()) + 0.0722 * linear(c.b())
    }

    /// Contrast ratio. Source: W3C, WCAG 2.1, definition of "contrast ratio".
    fn contrast(a: Color32, b: Color32) -> f64 {
        let (a, b) = (luminance(a), luminance(b));
        (a.max(b) + 0.05) / (a.min(b) + 0.05)
    }

    /// 21:1 for black on white: WCAG 2.1, definition of "contrast ratio" (range 1 to 21).
    #[test]
    fn formula_gives_the_published_ends() {
        assert!((contrast(Color32::BLACK, Color32::WHITE) - 21.0).abs() < 1e-9);
        assert!((contrast(Color32::GRAY, Color32::GRAY) - 1.0).abs() < 1e-12);
    }

    /// WCAG 2.1, success criterion 1.4.3: 4.5:1 for text; 1.4.11: 3:1 for parts of controls.
    #[test]
    fn text_is_legible_everywhere() {
        for t in [Theme::light(), Theme::dark()] {
            let style = t.style();
            let w = &style.visuals.widgets;
            let behind = [
                ("paper", t.paper),
                ("sheet", t.sheet),
                ("chosen", t.chosen()),
                ("control", t.control()),
                ("hovered", w.hovered.weak_bg_fill),
                ("field", style.visuals.text_edit_bg_color()),
                ("message", t.told(false)),
                ("error", t.told(true)),
                ("open", w.open.weak_bg_fill),
                ("pressed", w.active.weak_bg_fill),
                ("faint", style.visuals.faint_bg_color),
            ];
            for (place, back) in behind {
                let texts = [("ink", t.ink), ("soft", t.ink_soft), ("warn", t.warn), ("accent", t.accent)];
                for (name, text) in texts {
                    let ratio = contrast(text, back);
                    assert!(ratio >= 4.5, "{name} on {place}: {ratio:.2}, dark: {}", t.dark);
                }
                // A button that cannot be pressed now, painted over what it stands on.
                let button = mix(back, t.control(), DISABLED);
                let ratio = contrast(mix(back, t.ink, DISABLED), button);
                assert!(ratio >= 4.5, "disabled on {place}: {ratio:.2}, dark: {}", t.dark);
            }
            for back in [t.paper, t.sheet, t.control(), style.visuals.text_edit_bg_color()] {
                let ratio = contrast(t.edge(), back);
                assert!(ratio >= 3.0, "edge {ratio:.2}, dark: {}", t.dark);
            }
            assert!(contrast(t.on_accent, t.accent) >= 4.5);
            let groove = style.visuals.extreme_bg_color;
            let ratio = contrast(mix(groove, t.ink, BAR), groove);
            assert!(ratio >= 3.0, "handle of a scroll bar {ratio:.2}, dark: {}", t.dark);
        }
    }

    #[test]
    fn figures_have_one_width() {
        let ctx = egui::Context::default();
        install(&ctx);
        // Fonts exist from the first frame on.
        ctx.run_ui(egui::RawInput::default(), |_| {}).drop_without_applying_deltas();
        ctx.fonts_mut(|f| {
            for family in [FontFamily::Proportional, strong()] {
                let id = FontId::new(14.0, family);
                let zero = f.glyph_width(&id, '0');
                assert!(zero > 1.0);
                for d in '1'..='9' {
                    assert!((f.glyph_width(&id, d) - zero).abs() < 1e-3, "{d}");
                }
                assert!(f.has_glyphs(&id, "…−–×·“”"));
            }
        });
    }
}
