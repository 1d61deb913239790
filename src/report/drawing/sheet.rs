//! A sheet of paper and a pen: plotters' SVG backend in tenths of a px, with a title and a
//! description for readers who do not see.

use super::style::{INK, Key, MUTED, PAPER, Shape, legend, legend_height};
use crate::{Error, Result};
use plotters::coord::Shift;
use plotters::element::DashedPathElement;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};
use plotters::style::{FontFamily, FontStyle, FontTransform, RGBColor, register_font};
use std::cell::RefCell;
use std::sync::Once;

/// A point on the sheet in px.
pub(crate) type At = (f64, f64);

const TENTHS: f64 = 10.0;
const FONT: &[u8] = include_bytes!("../fonts/DejaVuSans-subset.ttf");
/// plotters sizes a font by its line, not by its em.
const LINE_PER_EM: f64 = 1.24;
/// How much wider bold is than the regular letters by which text is measured.
const BOLD_WIDTH: f64 = 1.14;

/// A finished figure.
#[derive(Debug, Clone, PartialEq)]
pub struct Figure {
    /// File name without extension, and the id within a page.
    pub name: String,
    /// What the figure shows, a plain sentence.
    pub title: String,
    /// How to read it and what it says, for a caption and for readers who do not see.
    pub description: String,
    /// The picture, a whole SVG document.
    pub svg: String,
}

/// How a line is drawn.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Stroke {
    pub color: RGBColor,
    pub width: f64,
    pub dash: Option<(f64, f64)>,
}

impl Stroke {
    pub fn new(color: RGBColor, width: f64) -> Self {
        Stroke {
            color,
            width,
            dash: None,
        }
    }

    pub fn dashed(self, on: f64, off: f64) -> Self {
        Stroke {
            dash: Some((on, off)),
            ..self
        }
    }
}

/// How text is set: size of the em in px, color, which point of it is given.
#[derive(Clone, Copy)]
pub(crate) struct Words {
    size: f64,
    color: RGBColor,
    bold: bool,
    across: HPos,
    down: VPos,
    upwards: bool,
}

impl Words {
    pub fn new(size: f64) -> Self {
        Words {
            size,
            color: INK,
            bold: false,
            across: HPos::Left,
            down: VPos::Center,
            upwards: false,
        }
    }
    pub fn color(self, color: RGBColor) -> Self {
        Words { color, ..self }
    }
    pub fn muted(self) -> Self {
        self.color(MUTED)
    }
    pub fn bold(self) -> Self {
        Words { bold: true, ..self }
    }
    pub fn centered(self) -> Self {
        Words {
            across: HPos::Center,
            ..self
        }
    }
    pub fn ending(self) -> Self {
        Words {
            across: HPos::Right,
            ..self
        }
    }
    pub fn below(self) -> Self {
        Words {
            down: VPos::Top,
            ..self
        }
    }
    pub fn upwards(self) -> Self {
        Words {
            upwards: true,
            ..self
        }
    }
}

/// Draws on a sheet. The first failure is kept and told when the sheet is finished.
pub(crate) struct Pen<'a> {
    area: DrawingArea<SVGBackend<'a>, Shift>,
    failure: RefCell<Option<String>>,
}

fn tenths((x, y): At) -> (i32, i32) {
    ((x * TENTHS).round() as i32, (y * TENTHS).round() as i32)
}

impl Pen<'_> {
    fn keep<T, E: std::fmt::Display>(&self, outcome: std::result::Result<T, E>) {
        if let Err(e) = outcome {
            self.failure.borrow_mut().get_or_insert(e.to_string());
        }
    }

    fn wide(color: RGBColor, width: f64) -> ShapeStyle {
        color.stroke_width((width * TENTHS).round().max(1.0) as u32)
    }

    pub fn line(&self, points: &[At], stroke: Stroke) {
        let path: Vec<_> = points
            .iter()
            .filter(|(x, y)| x.is_finite() && y.is_finite())
            .map(|p| tenths(*p))
            .collect();
        if path.len() < 2 {
            return;
        }
        let style = Self::wide(stroke.color, stroke.width);
        match stroke.dash {
            None => self.keep(self.area.draw(&PathElement::new(path, style))),
            Some((on, off)) => {
                let [on, off] = [on, off].map(|l| (l * TENTHS).round() as i32);
                let dashed = DashedPathElement::new(path, on, off, style);
                self.keep(self.area.draw(&dashed));
            }
        }
    }

    pub fn closed(&self, points: &[At], stroke: Stroke) {
        let mut path = points.to_vec();
        path.extend(points.first());
        self.line(&path, stroke);
    }

    /// Fills a polygon; `opacity` 0 to 1.
    pub fn fill(&self, points: &[At], color: RGBColor, opacity: f64) {
        if points.len() < 3 || points.iter().any(|(x, y)| !x.is_finite() || !y.is_finite()) {
            return;
        }
        let path: Vec<_> = points.iter().map(|p| tenths(*p)).collect();
        self.keep(self.area.draw(&Polygon::new(path, color.mix(opacity))));
    }

    pub fn fill_box(&self, from: At, to: At, color: RGBColor, opacity: f64) {
        let element = Rectangle::new([tenths(from), tenths(to)], color.mix(opacity).filled());
        self.keep(self.area.draw(&element));
    }

    pub fn circle(&self, at: At, radius: f64, color: RGBColor) {
        if at.0.is_finite() && at.1.is_finite() {
            let radius = (radius * TENTHS).round() as i32;
            let element = Circle::new(tenths(at), radius, color.filled());
            self.keep(self.area.draw(&element));
        }
    }

    pub fn ring(&self, at: At, radius: f64, stroke: Stroke) {
        if at.0.is_finite() && at.1.is_finite() {
            let radius = (radius * TENTHS).round() as i32;
            let style = Self::wide(stroke.color, stroke.width);
            self.keep(self.area.draw(&Circle::new(tenths(at), radius, style)));
        }
    }

    /// A marker of about the given radius, with a thin rim of paper so that neighbours stay apart.
    pub fn marker(&self, at: At, shape: Shape, radius: f64, color: RGBColor) {
        if !at.0.is_finite() || !at.1.is_finite() {
            return;
        }
        let rim = Stroke::new(PAPER, 0.7);
        match shape.outline(radius) {
            None => {
                self.circle(at, radius, color);
                self.ring(at, radius, rim);
            }
            Some(outline) => {
                let points: Vec<At> = outline.iter().map(|(x, y)| (at.0 + x, at.1 + y)).collect();
                self.fill(&points, color, 1.0);
                self.closed(&points, rim);
            }
        }
    }

    pub fn text(&self, at: At, text: &str, words: Words) {
        if text.is_empty() || !at.0.is_finite() || !at.1.is_finite() {
            return;
        }
        let mut style = TextStyle::from(Self::font(words)).color(&words.color);
        style.pos = Pos::new(words.across, words.down);
        let element = Text::new(text.to_string(), tenths(at), style);
        self.keep(self.area.draw(&element));
    }

    fn font(words: Words) -> FontDesc<'static> {
        let style = match words.bold {
            true => FontStyle::Bold,
            false => FontStyle::Normal,
        };
        let font = FontDesc::new(
            FontFamily::SansSerif,
            words.size * TENTHS * LINE_PER_EM,
            style,
        );
        match words.upwards {
            true => font.transform(FontTransform::Rotate270),
            false => font,
        }
    }

    /// Width of a text in px, read along the text.
    pub fn width(&self, text: &str, words: Words) -> f64 {
        let straight = Words {
            upwards: false,
            ..words
        };
        let wider = if words.bold { BOLD_WIDTH } else { 1.0 };
        match Self::font(straight).layout_box(text) {
            Ok(((x0, _), (x1, _))) => f64::from(x1 - x0) / TENTHS * wider,
            Err(e) => {
                self.keep::<(), _>(Err(e));
                0.0
            }
        }
    }

    /// The text cut to a width, with an ellipsis where something was cut.
    pub fn shortened(&self, text: &str, words: Words, width: f64) -> String {
        if self.width(text, words) <= width {
            return text.to_string();
        }
        let mut kept: Vec<char> = text.chars().collect();
        while kept.len() > 1 {
            kept.pop();
            let short: String = kept.iter().collect::<String>().trim_end().to_string() + "…";
            if self.width(&short, words) <= width {
                return short;
            }
        }
        "…".to_string()
    }

    /// The text broken into lines of at most `width` px.
    pub fn wrapped(&self, text: &str, words: Words, width: f64) -> Vec<String> {
        let mut lines: Vec<String> = Vec::new();
        for word in text.split_whitespace() {
            match lines.last_mut() {
                Some(line) if self.width(&format!("{line} {word}"), words) <= width => {
                    line.push(' ');
                    line.push_str(word);
                }
                _ => lines.push(word.to_string()),
            }
        }
        lines
    }
}

/// A figure to be drawn.
pub(crate) struct Sheet<'a> {
    pub name: &'a str,
    pub title: &'a str,
    pub description: String,
    pub width: f64,
    /// Height in px of what lies between title and legend.
    pub height: f64,
    /// The legend at the foot; empty for none.
    pub legend: Vec<(Key, String)>,
    /// SVG elements beneath everything drawn, in tenths of a px from the top left of what is below
    /// the title.
    pub under: String,
}

const TITLE_SIZE: f64 = 15.0;
const TITLE_LINE: f64 = 20.0;
const MARGIN: f64 = 12.0;
const LEGEND_LEFT: f64 = 66.0;
const LEGEND_WIDTH: f64 = 616.0;

impl Sheet<'_> {
    /// Draws; the pen's origin is below the title, at the left margin's outer edge.
    pub fn draw(&self, paint: impl FnOnce(&Pen)) -> Result<Figure> {
        let words = Words::new(TITLE_SIZE).bold().below();
        let lines = measured(|pen| pen.wrapped(self.title, words, self.width - 2.0 * MARGIN));
        let head = MARGIN + TITLE_LINE * lines.len() as f64 + 4.0;
        let foot = match self.legend.is_empty() {
            true => 0.0,
            false => legend_height(LEGEND_WIDTH, &self.legend) + 12.0,
        };
        let size = (self.width, self.height + head + foot);
        let mut svg = String::new();
        let failure = {
            let mut pen = pen_on(&mut svg, size);
            for (i, line) in lines.iter().enumerate() {
                pen.text((MARGIN, MARGIN + TITLE_LINE * i as f64), line, words);
            }
            let below = tenths((0.0, head)).1;
            let (top, rest) = pen.area.split_vertically(below);
            pen.area = rest;
            paint(&pen);
            legend(&pen, (LEGEND_LEFT, self.height), LEGEND_WIDTH, &self.legend);
            let presented = top.present();
            pen.keep(presented);
            pen.failure.into_inner()
        };
        if let Some(failure) = failure {
            return Err(Error::input(format!("the text cannot be set: {failure}"))
                .during(format!("drawing the figure {}", self.name)));
        }
        Ok(Figure {
            name: self.name.to_string(),
            title: self.title.to_string(),
            svg: self.dressed(&svg, size, head),
            description: self.description.clone(),
        })
    }

    /// plotters' document with a size in px, title and description, paper, and less repetition.
    fn dressed(&self, svg: &str, size: At, head: f64) -> String {
        let body = svg.split_once(">\n").map_or("", |(_, body)| body);
        let body = body
            .replace(" opacity=\"1\"", "")
            .replace(" font-family=\"sans-serif\"", "")
            .replace(" stroke=\"none\"", "")
            .replace("\n</text>", "</text>");
        let mut lean = String::with_capacity(body.len());
        for line in body.lines() {
            lean.push_str(line.trim_end());
            if !line.starts_with("<text") || line.ends_with("</text>") {
                lean.push('\n');
            }
        }
        let (width, height) = tenths(size);
        let under = match self.under.as_str() {
            "" => String::new(),
            under => format!(
                "<g transform=\"translate(0,{})\">{under}</g>\n",
                tenths((0.0, head)).1
            ),
        };
        format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{:.0}\" height=\"{:.0}\" viewBox=\"0 0 {width} {height}\" \
             role=\"img\" aria-labelledby=\"{name}-title {name}-desc\" stroke-linejoin=\"round\" \
             font-family=\"'DejaVu Sans', Verdana, 'Segoe UI', sans-serif\">\n\
             <title id=\"{name}-title\">{}</title>\n<desc id=\"{name}-desc\">{}</desc>\n\
             <rect width=\"{width}\" height=\"{height}\" fill=\"#FFFFFF\"/>\n{under}{lean}",
            size.0,
            size.1,
            escaped(self.title),
            escaped(&self.description),
            name = identifier(self.name),
        )
    }
}

/// Measures without drawing.
pub(crate) fn measured<T>(measure: impl FnOnce(&Pen) -> T) -> T {
    register();
    measure(&pen_on(&mut String::new(), (1.0, 1.0)))
}

/// A name as an id of SVG and HTML: what is not a letter, a digit or a hyphen becomes its number.
pub(crate) fn identifier(name: &str) -> String {
    name.chars()
        .map(|c| match c {
            'a'..='z' | 'A'..='Z' | '0'..='9' | '-' => c.to_string(),
            other => format!("_{:x}_", u32::from(other)),
        })
        .collect()
}

/// Text as SVG and HTML want it.
pub(crate) fn escaped(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
        .replace('"', "&quot;")
}

fn pen_on(svg: &mut String, size: At) -> Pen<'_> {
    let (width, height) = tenths(size);
    Pen {
        area: SVGBackend::with_string(svg, (width as u32, height as u32)).into_drawing_area(),
        failure: RefCell::new(None),
    }
}

fn register() {
    static ONCE: Once = Once::new();
    // A font that cannot be read shows as a failure of the first text that is measured.
    ONCE.call_once(|| {
        let _ = register_font("sans-serif", FontStyle::Normal, FONT);
    });
}
