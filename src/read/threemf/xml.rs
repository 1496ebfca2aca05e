//! A walk over the elements of an XML part. Document type definitions are refused: the format
//! forbids them, and their entities are a way to blow up small files.

use xmlparser::{ElementEnd, Token, Tokenizer};

use super::super::error::{Fault, Place, Trouble, shown};
use super::super::text::number;

/// Elements within elements. Too low: no model goes beyond 8 with its extensions. Too high:
/// memory for a file of nothing but openings.
const DEEPEST: usize = 64;

/// An element's start with its attributes.
pub(super) struct Element<'a> {
    part: &'a str,
    pub prefix: &'a str,
    pub local: &'a str,
    /// Where it starts in the part.
    pub at: usize,
    attributes: Vec<(&'a str, &'a str, &'a str)>,
}

/// What the walk meets.
pub(super) enum Event<'e, 'a> {
    /// An element starts, under its parent's local name.
    Open(&'e Element<'a>),
    /// An element of this prefix and local name ends.
    Close(&'a str, &'a str),
}

impl<'a> Element<'a> {
    pub fn place(&self) -> Place {
        Place::Part(self.part.to_owned(), Some(self.at))
    }

    pub fn fault(&self, trouble: Trouble, fact: impl Into<String>) -> Fault {
        Fault::at(trouble, self.place(), fact)
    }

    /// An attribute's text, whatever its prefix (but not that of a namespace binding).
    pub fn text(&self, name: &str) -> Option<&'a str> {
        let mut all = self.attributes.iter();
        let found = all.find(|(prefix, local, _)| *local == name && *prefix != "xmlns");
        found.map(|(_, _, value)| *value)
    }

    /// The namespace that the element binds a prefix to.
    pub fn namespace(&self, prefix: &str) -> Option<&'a str> {
        let found = self
            .attributes
            .iter()
            .find(|(p, l, _)| *p == "xmlns" && *l == prefix);
        found.map(|(_, _, value)| *value)
    }

    fn wanted(&self, name: &str) -> Result<&'a str, Fault> {
        self.text(name).ok_or_else(|| {
            let fact = format!("a {} without {name}", shown(self.local));
            self.fault(Trouble::Malformed, fact)
        })
    }

    pub fn number(&self, name: &str) -> Result<f64, Fault> {
        number(self.wanted(name)?.trim(), || self.place())
    }

    pub fn index(&self, name: &str) -> Result<u32, Fault> {
        let text = self.wanted(name)?;
        text.trim().parse().map_err(|_| {
            let fact = format!("{name}=\"{}\" is no whole number", shown(text));
            self.fault(Trouble::Malformed, fact)
        })
    }
}

/// Calls `meet` for every start and end of an element, in order; checks that they pair up.
pub(super) fn walk<'a>(
    part: &'a str,
    text: &'a str,
    mut meet: impl FnMut(Event<'_, 'a>) -> Result<(), Fault>,
) -> Result<(), Fault> {
    let mut element = Element {
        part,
        prefix: "",
        local: "",
        at: 0,
        attributes: Vec::new(),
    };
    let mut open: Vec<(&str, &str)> = Vec::new();
    for token in Tokenizer::from(text) {
        match token.map_err(|e| broken(part, text, &e))? {
            Token::ElementStart {
                prefix,
                local,
                span,
            } => {
                element.prefix = prefix.as_str();
                element.local = local.as_str();
                element.at = span.start();
                element.attributes.clear();
            }
            Token::Attribute {
                prefix,
                local,
                value,
                ..
            } => {
                let attribute = (prefix.as_str(), local.as_str(), value.as_str());
                element.attributes.push(attribute);
            }
            Token::ElementEnd { end, span } => match end {
                ElementEnd::Open => {
                    meet(Event::Open(&element))?;
                    open.push((element.prefix, element.local));
                    if open.len() > DEEPEST {
                        let fact = format!("elements within elements, {DEEPEST} deep");
                        return Err(element.fault(Trouble::Malformed, fact));
                    }
                }
                ElementEnd::Empty => {
                    meet(Event::Open(&element))?;
                    meet(Event::Close(element.prefix, element.local))?;
                }
                ElementEnd::Close(prefix, local) => {
                    let name = (prefix.as_str(), local.as_str());
                    if open.pop() != Some(name) {
                        let place = Place::Part(part.to_owned(), Some(span.start()));
                        let fact = format!("{} ends and was not open", shown(name.1));
                        return Err(Fault::at(Trouble::Malformed, place, fact));
                    }
                    meet(Event::Close(name.0, name.1))?;
                }
            },
            Token::DtdStart { .. } | Token::EmptyDtd { .. } => {
                let fact = "has a document type definition, which 3MF forbids";
                let place = Place::Part(part.to_owned(), None);
                return Err(Fault::at(Trouble::Malformed, place, fact));
            }
            _ => {}
        }
    }
    match open.last() {
        None => Ok(()),
        Some((_, local)) => {
            let place = Place::Part(part.to_owned(), Some(text.len()));
            let fact = format!("ends inside {}", shown(local));
            Err(Fault::at(Trouble::CutShort, place, fact))
        }
    }
}

fn broken(part: &str, text: &str, e: &xmlparser::Error) -> Fault {
    let pos = e.pos();
    let rows = text
        .split_inclusive('\n')
        .take(pos.row.saturating_sub(1) as usize);
    let at = rows.map(str::len).sum::<usize>() + pos.col.saturating_sub(1) as usize;
    let place = Place::Part(part.to_owned(), Some(at));
    Fault::at(Trouble::Malformed, place, "is no well-formed XML")
}
