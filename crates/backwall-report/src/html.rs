//! A document as one HTML file that needs nothing but itself: text, tables, figures as inline SVG, and a style for
//! screens and for paper.

use super::document::{Align, Captioned, Document, DocumentBlock, DocumentTable, Paper, Tone};
use super::svg;
use super::words::safe_text;
use std::fmt::{self, Write};

/// The whole file.
pub fn html(document: &Document) -> String {
    let mut out = String::new();
    // Writing to a String cannot fail.
    let _ = write(&mut out, document);
    out
}

fn write(out: &mut String, document: &Document) -> fmt::Result {
    let title = text(&document.title);
    writeln!(out, "<!DOCTYPE html>\n<html lang=\"{}\">\n<head>\n<meta charset=\"utf-8\"/>", text(&document.language))?;
    // Nothing is ever fetched, and no script runs, whatever a note in the job says.
    writeln!(
        out,
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'; img-src data:\"/>"
    )?;
    writeln!(out, "<meta name=\"viewport\" content=\"width=device-width\"/>\n<title>{title}</title>\n<style>")?;
    style(out, document)?;
    writeln!(out, "</style>\n</head>\n<body>\n<header>")?;
    if let Some(logo) = &document.logo {
        writeln!(out, "<img alt=\"\" src=\"data:image/png;base64,{}\"/>", base64(&logo.png))?;
    }
    writeln!(out, "<h1>{title}</h1>")?;
    for line in &document.subtitle {
        writeln!(out, "<p>{}</p>", text(line))?;
    }
    writeln!(out, "</header>\n<main>")?;
    document.blocks.iter().try_for_each(|block| write_block(out, block))?;
    writeln!(out, "</main>\n<footer>{}</footer>\n</body>\n</html>", text(&document.foot))
}

fn style(out: &mut String, document: &Document) -> fmt::Result {
    let size = match document.paper {
        Paper::A4 => "210mm 297mm",
        Paper::Letter => "8.5in 11in",
    };
    // Chromium 131 and later print the margin boxes; others leave the page number out.
    let foot = string(&document.foot);
    writeln!(out, "@page {{ size: {size}; margin: 16mm 18mm 20mm 18mm;")?;
    writeln!(out, "  @bottom-left {{ content: {foot}; font: 6.5pt 'DejaVu Sans', Verdana, sans-serif; color: #6e6e6e; }}")?;
    writeln!(
        out,
        "  @bottom-right {{ content: \"Page \" counter(page) \" of \" counter(pages); font: 6.5pt 'DejaVu Sans', Verdana, sans-serif; color: #6e6e6e; }} }}"
    )?;
    out.write_str(STYLE)
}

const STYLE: &str = "\
body { font: 10pt/1.4 'DejaVu Sans', Verdana, sans-serif; color: #000; max-width: 180mm; margin: 8mm auto; padding: 0 4mm; }
header { border-bottom: 2pt solid #0072b2; margin-bottom: 4mm; overflow: hidden; }
header img { float: right; max-width: 50mm; max-height: 18mm; }
header p { margin: 0 0 1mm 0; color: #555; }
h1 { font-size: 18pt; margin: 0 0 2mm 0; }
h2 { font-size: 13pt; margin: 8mm 0 2mm 0; border-bottom: 0.75pt solid #0072b2; }
h3 { font-size: 10.5pt; margin: 6mm 0 2mm 0; }
p, ul { margin: 1.5mm 0; }
table { border-collapse: collapse; width: 100%; margin: 2mm 0; font-size: 8.5pt; }
thead { display: table-header-group; }
th { background: #ddd; text-align: left; vertical-align: bottom; }
th, td { padding: 0.7mm 1.4mm; border-bottom: 0.5pt solid #ddd; vertical-align: top; }
.number { text-align: right; } .whole { white-space: nowrap; }
p, li, h1, h2, h3, figcaption, .long { overflow-wrap: anywhere; }
.facts th { background: none; font-weight: normal; color: #555; width: 30%; vertical-align: top; }
tr.good td:first-child { border-left: 2.5pt solid #009e73; }
tr.watch td:first-child { border-left: 2.5pt solid #e69f00; }
tr.bad td:first-child { border-left: 2.5pt solid #d55e00; }
.notice { border: 0.75pt solid #6e6e6e; border-left-width: 5pt; border-right: 0; padding: 1.5mm 3mm; margin: 2.5mm 0; }
.notice.good { border-color: #009e73; } .notice.watch { border-color: #e69f00; } .notice.bad { border-color: #d55e00; }
.notice ul { padding-left: 5mm; } .notice p { margin: 0; } .notice .title { font-weight: bold; }
figure { margin: 2mm 4mm 2mm 0; display: inline-block; vertical-align: top; } figure:only-child { margin-right: 0; }
.figures { margin-right: -4.1mm; } figure svg { max-width: 100%; height: auto; display: block; }
.pictures figure { width: 45%; } .pictures img { max-width: 100%; max-height: 90mm; }
figcaption { font-size: 7.5pt; color: #555; }
.signatures { display: flex; flex-wrap: wrap; gap: 0 10mm; }
.signatures p { width: calc(50% - 5mm); border-top: 0.75pt solid #000; margin: 16mm 0 0 0; font-size: 8pt; color: #555; }
footer { margin-top: 8mm; border-top: 0.5pt solid #999; font-size: 7.5pt; color: #6e6e6e; }
@media print {
  body { margin: 0; padding: 0; max-width: none; font-size: 8.5pt; }
  table { font-size: 7.5pt; }
  h2, h3 { break-after: avoid; }
  tr, figure, .notice, .signatures p { break-inside: avoid; }
  .break { break-before: page; }
  footer { display: none; }
  * { print-color-adjust: exact; -webkit-print-color-adjust: exact; }
}
";

fn write_block(out: &mut String, block: &DocumentBlock) -> fmt::Result {
    match block {
        DocumentBlock::Heading { level, text: heading } => {
            let tag = if *level <= 1 { "h2" } else { "h3" };
            writeln!(out, "<{tag}>{}</{tag}>", text(heading))
        }
        DocumentBlock::Paragraph(words) => writeln!(out, "<p>{}</p>", text(words)),
        DocumentBlock::Bullets(lines) => bullets(out, lines),
        DocumentBlock::Facts(facts) => {
            writeln!(out, "<table class=\"facts\"><tbody>")?;
            for (name, value) in facts {
                let long = if is_long(value) { " class=\"long\"" } else { "" };
                writeln!(out, "<tr><th scope=\"row\">{}</th><td{long}>{}</td></tr>", text(name), text(value))?;
            }
            writeln!(out, "</tbody></table>")
        }
        DocumentBlock::Table(table) => write_table(out, table),
        DocumentBlock::Figures(figures) => {
            writeln!(out, "<div class=\"figures\">")?;
            figures.iter().try_for_each(|figure| write_figure(out, figure))?;
            writeln!(out, "</div>")
        }
        DocumentBlock::Pictures(pictures) => {
            writeln!(out, "<div class=\"pictures\">")?;
            for picture in pictures {
                let (kind, caption) = (picture.file.media_type(), text(&picture.caption));
                let coded = base64(picture.file.bytes());
                writeln!(
                    out,
                    "<figure><img alt=\"{caption}\" src=\"data:{kind};base64,{coded}\"/><figcaption>{caption}</figcaption></figure>"
                )?;
            }
            writeln!(out, "</div>")
        }
        DocumentBlock::Notice { tone, title, lines, .. } => {
            writeln!(out, "<div class=\"notice {}\"><p class=\"title\">{}</p>", class(*tone), text(title))?;
            match lines.as_slice() {
                [] => {}
                [only] => writeln!(out, "<p>{}</p>", text(only))?,
                lines => bullets(out, lines)?,
            }
            writeln!(out, "</div>")
        }
        DocumentBlock::Signatures(lines) => {
            writeln!(out, "<div class=\"signatures\">")?;
            lines.iter().try_for_each(|line| writeln!(out, "<p>{}</p>", text(line)))?;
            writeln!(out, "</div>")
        }
        DocumentBlock::PageBreak => writeln!(out, "<div class=\"break\"></div>"),
    }
}

fn bullets(out: &mut String, lines: &[String]) -> fmt::Result {
    writeln!(out, "<ul>")?;
    lines.iter().try_for_each(|line| writeln!(out, "<li>{}</li>", text(line)))?;
    writeln!(out, "</ul>")
}

fn write_table(out: &mut String, table: &DocumentTable) -> fmt::Result {
    let number = |index: usize| match table.columns.get(index).map(|column| column.align) {
        Some(Align::Right) => " class=\"number\"",
        _ => "",
    };
    write!(out, "<table>\n<thead><tr>")?;
    for (index, column) in table.columns.iter().enumerate() {
        write!(out, "<th scope=\"col\"{}>{}</th>", number(index), text(&column.head))?;
    }
    writeln!(out, "</tr></thead>\n<tbody>")?;
    for row in &table.rows {
        write!(out, "<tr class=\"{}\">", class(row.tone))?;
        for (index, cell) in row.cells.iter().enumerate() {
            let class = match (is_long(cell), cell.chars().count() <= NOT_BROKEN) {
                (true, _) => " class=\"long\"",
                (false, true) if number(index).is_empty() => " class=\"whole\"",
                (false, true) => " class=\"number whole\"",
                (false, false) => number(index),
            };
            write!(out, "<td{class}>{}</td>", text(cell))?;
        }
        writeln!(out, "</tr>")?;
    }
    writeln!(out, "</tbody>\n</table>")
}

fn write_figure(out: &mut String, captioned: &Captioned) -> fmt::Result {
    writeln!(out, "<figure>{}<figcaption>{}</figcaption></figure>", svg::element(&captioned.figure), text(&captioned.caption))
}

const fn class(tone: Tone) -> &'static str {
    match tone {
        Tone::Plain => "plain",
        Tone::Good => "good",
        Tone::Watch => "watch",
        Tone::Bad => "bad",
    }
}

/// A day, a decision, a share: a browser would break them at their hyphen or blank.
const NOT_BROKEN: usize = 11;

/// Whether a cell has a word so long that it must be broken, lest it push the others off the paper.
fn is_long(cell: &str) -> bool {
    cell.split_whitespace().any(|word| word.chars().count() > 24)
}

/// Text that means nothing to a browser but itself.
fn text(words: &str) -> String {
    svg::escaped(&safe_text(words))
}

/// Text as a CSS string, in a style element: no character of it can end the string or the element.
fn string(words: &str) -> String {
    let plain = |c: char| c.is_alphanumeric() || matches!(c, ' ' | '.' | ',' | '-' | ':' | '·');
    let mut out = String::from("\"");
    for c in safe_text(words).chars() {
        match c {
            c if plain(c) => out.push(c),
            c => out.push_str(&format!("\\{:x} ", u32::from(c))),
        }
    }
    out.push('"');
    out
}

/// RFC 4648, section 4.
fn base64(bytes: &[u8]) -> String {
    const LETTERS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut out = String::with_capacity(bytes.len().div_ceil(3) * 4);
    for three in bytes.chunks(3) {
        let joined = three.iter().enumerate().fold(0u32, |sum, (index, byte)| sum | u32::from(*byte) << (16 - 8 * index));
        for place in 0..4 {
            let letter = LETTERS[(joined >> (18 - 6 * place) & 63) as usize];
            out.push(if place > three.len() { '=' } else { letter as char });
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    // RFC 4648, section 10.
    #[test]
    fn base64_agrees_with_the_published_examples() {
        for (plain, coded) in [("", ""), ("f", "Zg=="), ("fo", "Zm8="), ("foo", "Zm9v"), ("foob", "Zm9vYg=="), ("foobar", "Zm9vYmFy")] {
            assert_eq!(base64(plain.as_bytes()), coded);
        }
    }

    #[test]
    fn words_from_outside_cannot_become_markup_or_style() {
        assert_eq!(text("<script>\u{7}&\u{202e}"), "&lt;script&gt;·&amp;");
        assert_eq!(string("a\"}</style>"), "\"a\\22 \\7d \\3c \\2f style\\3e \"");
    }
}
