//! A page of this program as a tree of elements: what the printed report is set from.
//!
//! Only the markup that the page writes is understood (every element closed, every attribute in double quotes, five
//! entities); the page's own tests keep it to that.

/// A piece of a page.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Node {
    /// Text, entities resolved.
    Text(String),
    /// An element.
    Element(Element),
}

/// An element with what is in it.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Element {
    /// Its name, as in `h2`.
    pub(super) name: String,
    /// Its attributes.
    pub(super) attributes: Vec<(String, String)>,
    /// What is in it.
    pub(super) children: Vec<Node>,
}

impl Element {
    /// An attribute; empty where it is not there.
    pub(super) fn attribute(&self, name: &str) -> &str {
        self.attributes
            .iter()
            .find(|(key, _)| key == name)
            .map_or("", |(_, value)| value.as_str())
    }

    /// Whether the element is of a class.
    pub(super) fn is(&self, class: &str) -> bool {
        self.attribute("class")
            .split_whitespace()
            .any(|one| one == class)
    }

    /// The elements directly in this one.
    pub(super) fn elements(&self) -> impl Iterator<Item = &Self> {
        self.children.iter().filter_map(|child| match child {
            Node::Element(element) => Some(element),
            Node::Text(_) => None,
        })
    }

    /// The first element of a name, at any depth.
    pub(super) fn find(&self, name: &str) -> Option<&Self> {
        self.elements().find_map(|element| {
            if element.name == name {
                Some(element)
            } else {
                element.find(name)
            }
        })
    }

    /// All text in it.
    pub(super) fn text(&self) -> String {
        self.children
            .iter()
            .map(|child| match child {
                Node::Text(text) => text.clone(),
                Node::Element(element) => element.text(),
            })
            .collect()
    }
}

/// Reads a page. What is not closed is closed at the end, and a stray end tag is left out.
pub(super) fn tree(page: &str) -> Element {
    let mut open = vec![Element::default()];
    let mut rest = page;
    while let Some(at) = rest.find('<') {
        let (before, from) = rest.split_at(at);
        put_text(&mut open, before);
        let Some(end) = from.find('>') else { break };
        let tag = from.get(1..end).unwrap_or("");
        rest = from.get(end + 1..).unwrap_or("");
        if let Some(name) = tag.strip_prefix('/') {
            if open.len() > 1 && open.last().is_some_and(|last| last.name == name) {
                close(&mut open);
            }
            continue;
        }
        if tag.starts_with('!') {
            continue;
        }
        let element = element_of(tag.trim_end_matches('/'));
        if element.name == "style" {
            let skip = rest.find("</style>").map_or(rest.len(), |end| end + 8);
            rest = rest.get(skip..).unwrap_or("");
            continue;
        }
        open.push(element);
        if tag.ends_with('/') {
            close(&mut open);
        }
    }
    put_text(&mut open, rest);
    while open.len() > 1 {
        close(&mut open);
    }
    open.pop().unwrap_or_default()
}

fn close(open: &mut Vec<Element>) {
    if let Some(done) = open.pop()
        && let Some(parent) = open.last_mut()
    {
        parent.children.push(Node::Element(done));
    }
}

fn put_text(open: &mut [Element], text: &str) {
    if let Some(last) = open.last_mut()
        && !text.is_empty()
    {
        last.children.push(Node::Text(resolved(text)));
    }
}

fn element_of(tag: &str) -> Element {
    let (name, mut rest) = tag.split_once(' ').unwrap_or((tag, ""));
    let mut attributes = Vec::new();
    while let Some((key, after)) = rest.split_once("=\"") {
        let Some((value, next)) = after.split_once('"') else {
            break;
        };
        attributes.push((key.trim().to_owned(), resolved(value)));
        rest = next;
    }
    Element {
        name: name.trim().to_owned(),
        attributes,
        children: Vec::new(),
    }
}

fn resolved(text: &str) -> String {
    text.replace("&lt;", "<")
        .replace("&gt;", ">")
        .replace("&quot;", "\"")
        .replace("&#39;", "'")
        .replace("&amp;", "&")
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;

    #[test]
    fn a_page_becomes_a_tree() {
        let root = tree(
            "<!DOCTYPE html>\n<html lang=\"en\"><head><style>p > b { x: 1 }</style></head><body><p class=\"rule small\">a &lt; \
             <b>b</b> &amp;lt;</p><svg class=\"key\"><path d=\"M0 0\"/></svg></body></html>",
        );
        let p = root.find("p").unwrap();
        assert!(p.is("rule") && p.is("small") && !p.is("rul"));
        assert_eq!(p.text(), "a < b &lt;");
        assert_eq!(root.find("path").unwrap().attribute("d"), "M0 0");
        assert!(root.find("style").is_none());
        assert_eq!(root.find("html").unwrap().attribute("lang"), "en");
    }

    #[test]
    fn broken_markup_is_no_panic() {
        for text in [
            "<",
            "<p",
            "</p>",
            "<p a=\"",
            "<p><b></p>",
            "é<p class=\"é\">é",
            "<>",
        ] {
            let _ = tree(text);
        }
        assert_eq!(tree("<p><b>x").text(), "x");
    }
}
