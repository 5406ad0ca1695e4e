//! Pages as PDF 1.7: vectors and text as they are in the figures, fonts cut down to the letters used, so that the file
//! needs nothing but itself. The same document gives the same bytes.

mod fonts;

use super::document::Document;
use super::document::layout::{Page, PageEntry, PagePlace, Pages, pages};
use super::figure::{Anchor, Dash, Figure, FigureItem, FigurePoint, Ink, LineWeight, Stroke, Text, font};
use super::picture::{Picture, PictureFile};
use chrono::{DateTime, Datelike, Timelike};
use fonts::Fonts;
use miniz_oxide::deflate::compress_to_vec_zlib;
use pdf_writer::types::{LineCapStyle, LineJoinStyle, PageMode};
use pdf_writer::{Content, Date, Filter, Finish, Name, Pdf, Rect, Ref, Str, TextStr};

/// PDF counts in points, 72 to the inch.
const POINTS: f64 = 72.0 / 25.4;
const COMPRESSION: u8 = 6;
const LOGO: Name<'static> = Name(b"Logo");

#[derive(Debug, thiserror::Error)]
pub enum PdfError {
    #[error("the program was built with a font that cannot be read; build it again from a clean copy of its source")]
    Font,
}

/// A finished PDF file.
pub struct PdfWritten {
    pub bytes: Vec<u8>,
    pub pages: usize,
}

/// A document as a PDF file.
pub fn pdf(document: &Document) -> Result<PdfWritten, PdfError> {
    let laid_out = pages(document);
    let mut next = Ref::new(1);
    let mut file = Pdf::new();
    file.set_version(1, 7);
    let mut fonts = Fonts::new(&mut next);
    let (catalog, tree) = (next.bump(), next.bump());
    let logo = document.logo.as_ref().map(|logo| {
        let id = next.bump();
        pixels(&mut file, id, (logo.width, logo.height), &logo.rgb);
        id
    });
    let pictures: Vec<Ref> = document
        .all_pictures()
        .map(|picture| {
            let id = next.bump();
            photo(&mut file, id, picture);
            id
        })
        .collect();
    let leaves: Vec<Ref> = laid_out.pages.iter().map(|_| next.bump()).collect();
    for (page, id) in laid_out.pages.iter().zip(&leaves) {
        let contents = next.bump();
        let drawn = compressed(&draw(page, &mut fonts));
        file.stream(contents, &drawn).filter(Filter::FlateDecode);
        let mut leaf = file.page(*id);
        leaf.parent(tree).contents(contents);
        leaf.media_box(Rect::new(0.0, 0.0, points(page.figure.width), points(page.figure.height)));
        let mut resources = leaf.resources();
        fonts.name(&mut resources);
        let mut objects = resources.x_objects();
        if let (Some(logo), Some(_)) = (logo, page.logo) {
            objects.pair(LOGO, logo);
        }
        for (number, _) in &page.pictures {
            objects.pair(Name(photo_name(*number).as_bytes()), pictures[*number]);
        }
        objects.finish();
        resources.finish();
        leaf.finish();
    }
    file.pages(tree).kids(leaves.iter().copied()).count(leaves.len() as i32);
    fonts.write(&mut file, &mut next)?;
    let outline = outline(&mut file, &mut next, &laid_out, &leaves);
    let mut root = file.catalog(catalog);
    root.pages(tree).lang(TextStr(&document.language));
    root.viewer_preferences().display_doc_title(true);
    if let Some(outline) = outline {
        root.outlines(outline).page_mode(PageMode::UseOutlines);
    }
    root.finish();
    let mut info = file.document_info(next.bump());
    info.title(TextStr(&document.title)).subject(TextStr(&document.foot));
    info.creator(TextStr(concat!("Backwall ", env!("CARGO_PKG_VERSION"))));
    if let Some(issued) = date(document.issued_us) {
        info.creation_date(issued);
    }
    info.finish();
    Ok(PdfWritten { bytes: file.finish(), pages: leaves.len() })
}

fn points(mm: f64) -> f32 {
    (mm * POINTS) as f32
}

fn compressed(bytes: &[u8]) -> Vec<u8> {
    compress_to_vec_zlib(bytes, COMPRESSION)
}

fn date(us: i64) -> Option<Date> {
    let time = DateTime::from_timestamp_micros(us)?;
    let part = |value: u32| u8::try_from(value).unwrap_or_default();
    let date = Date::new(u16::try_from(time.year()).ok()?).month(part(time.month())).day(part(time.day()));
    Some(date.hour(part(time.hour())).minute(part(time.minute())).second(part(time.second())).utc_offset_hour(0))
}

fn pixels(file: &mut Pdf, id: Ref, (width, height): (u32, u32), rgb: &[u8]) {
    let pixels = compressed(rgb);
    let mut image = file.image_xobject(id, &pixels);
    image.filter(Filter::FlateDecode);
    image.width(width as i32).height(height as i32).bits_per_component(8);
    image.color_space().device_rgb();
}

fn photo_name(number: usize) -> String {
    format!("Photo{number}")
}

/// A JPEG goes in as it is: PDF readers decode it themselves.
fn photo(file: &mut Pdf, id: Ref, picture: &Picture) {
    match &picture.file {
        PictureFile::Jpeg { bytes, components } => {
            let mut image = file.image_xobject(id, bytes);
            image.filter(Filter::DctDecode);
            image.width(picture.width as i32).height(picture.height as i32).bits_per_component(8);
            match components {
                1 => image.color_space().device_gray(),
                _ => image.color_space().device_rgb(),
            }
        }
        PictureFile::Png { rgb, .. } => pixels(file, id, (picture.width, picture.height), rgb),
    }
}

/// A page's drawing orders.
fn draw(page: &Page, fonts: &mut Fonts) -> Vec<u8> {
    let mut pen = PdfPen { content: Content::new(), height: page.figure.height, fonts };
    pen.content.set_line_cap(LineCapStyle::ButtCap).set_line_join(LineJoinStyle::RoundJoin);
    if let Some(place) = page.logo {
        pen.image(LOGO, place);
    }
    for (number, place) in &page.pictures {
        pen.image(Name(photo_name(*number).as_bytes()), *place);
    }
    pen.figure(&page.figure);
    pen.content.finish().to_vec()
}

struct PdfPen<'a> {
    content: Content,
    /// Of the page: PDF counts from the lower left corner.
    height: f64,
    fonts: &'a mut Fonts,
}

impl PdfPen<'_> {
    fn at(&self, point: FigurePoint) -> [f32; 2] {
        [points(point.x), points(self.height - point.y)]
    }

    fn image(&mut self, name: Name<'_>, place: PagePlace) {
        let [x, y] = self.at(FigurePoint { x: place.x, y: place.y + place.height });
        self.content.save_state().transform([points(place.width), 0.0, 0.0, points(place.height), x, y]);
        self.content.x_object(name).restore_state();
    }

    fn figure(&mut self, figure: &Figure) {
        for item in &figure.items {
            match item {
                FigureItem::Lines { lines, stroke } => self.lines(lines, *stroke),
                FigureItem::Areas { areas, ink } => self.areas(areas, *ink),
                FigureItem::Text(text) => self.text(text),
            }
        }
    }

    fn path(&mut self, places: &[FigurePoint]) {
        for (index, place) in places.iter().enumerate() {
            let [x, y] = self.at(*place);
            match index {
                0 => self.content.move_to(x, y),
                _ => self.content.line_to(x, y),
            };
        }
    }

    fn lines(&mut self, lines: &[Vec<FigurePoint>], stroke: Stroke) {
        let [r, g, b] = colour(stroke.ink);
        self.content.set_stroke_rgb(r, g, b).set_line_width(points(stroke.width));
        let dashes = match stroke.dash {
            Dash::Solid => Vec::new(),
            dash => dash.pattern().iter().map(|length| points(length * stroke.width)).collect(),
        };
        self.content.set_dash_pattern(dashes, 0.0);
        // Viewers are slow on paths of very many points, so lines are struck a hundred at a time.
        for some in lines.chunks(100) {
            some.iter().filter(|line| line.len() > 1).for_each(|line| self.path(line));
            self.content.stroke();
        }
    }

    fn areas(&mut self, areas: &[Vec<FigurePoint>], ink: Ink) {
        let [r, g, b] = colour(ink);
        self.content.set_fill_rgb(r, g, b);
        for some in areas.chunks(100) {
            for area in some.iter().filter(|area| area.len() > 2) {
                self.path(area);
                self.content.close_path();
            }
            self.content.fill_nonzero();
        }
    }

    fn text(&mut self, text: &Text) {
        let [r, g, b] = colour(text.ink);
        let width = font::width(&text.text, text.size, text.weight);
        let back = match text.anchor {
            Anchor::Start => 0.0,
            Anchor::Middle => width / 2.0,
            Anchor::End => width,
        };
        let (sin, cos) = text.turn.to_radians().sin_cos();
        // Paper counts downward, so a counter-clockwise turn lifts the far end.
        let start = FigurePoint { x: text.at.x - back * cos, y: text.at.y + back * sin };
        let [x, y] = self.at(start);
        let (sin, cos) = (sin as f32, cos as f32);
        let encoded = self.fonts.encode(text.weight, &text.text);
        self.content.begin_text().set_fill_rgb(r, g, b);
        self.content.set_font(fonts::name(text.weight), points(text.size));
        self.content.set_text_matrix([cos, sin, -sin, cos, x, y]).show(Str(&encoded)).end_text();
    }
}

fn colour(ink: Ink) -> [f32; 3] {
    ink.rgb().map(|part| f32::from(part) / 255.0)
}

/// Headings under another one.
type Under<'a> = Vec<(&'a PageEntry, Ref)>;

/// The headings as the list a viewer shows beside the pages; second ones under the first one before them.
fn outline(file: &mut Pdf, next: &mut Ref, laid_out: &Pages, leaves: &[Ref]) -> Option<Ref> {
    let mut parts: Vec<(&PageEntry, Ref, Under<'_>)> = Vec::new();
    for entry in &laid_out.outline {
        match parts.last_mut() {
            Some((_, _, under)) if entry.level > 1 => under.push((entry, next.bump())),
            _ => parts.push((entry, next.bump(), Vec::new())),
        }
    }
    let (first, last) = (parts.first()?.1, parts.last()?.1);
    let root = next.bump();
    file.outline(root).first(first).last(last).count(parts.len() as i32);
    let mut item = |id: Ref, parent: Ref, before: Option<Ref>, after: Option<Ref>, entry: &PageEntry, under: &[(&PageEntry, Ref)]| {
        let mut item = file.outline_item(id);
        item.title(TextStr(&entry.text)).parent(parent);
        if let Some(before) = before {
            item.prev(before);
        }
        if let Some(after) = after {
            item.next(after);
        }
        if let (Some(first), Some(last)) = (under.first(), under.last()) {
            // A negative count: shown closed.
            item.first(first.1).last(last.1).count(-(under.len() as i32));
        }
        if let (Some(leaf), Some(page)) = (leaves.get(entry.page), laid_out.pages.get(entry.page)) {
            item.dest().page(*leaf).xyz(0.0, points(page.figure.height - entry.y + 2.0), None);
        }
    };
    for (index, (entry, id, under)) in parts.iter().enumerate() {
        let before = index.checked_sub(1).map(|at| parts[at].1);
        item(*id, root, before, parts.get(index + 1).map(|part| part.1), entry, under);
        for (at, (entry, own)) in under.iter().enumerate() {
            item(*own, *id, at.checked_sub(1).map(|at| under[at].1), under.get(at + 1).map(|it| it.1), entry, &[]);
        }
    }
    Some(root)
}

/// Weights in the order their fonts are named.
const WEIGHTS: [LineWeight; 2] = [LineWeight::Regular, LineWeight::Bold];
