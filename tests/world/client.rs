//! A caller of the service, and what it is answered.

use super::{KEEPER, RESEARCHER, token};
use serde_json::Value;
use std::net::SocketAddr;
use std::time::Duration;
use ureq::http::{HeaderMap, Request};

/// Base path of every resource.
const BASE: &str = "/api/v1";

/// Somebody who calls the service.
#[derive(Clone)]
pub(crate) struct Client {
    agent: ureq::Agent,
    address: SocketAddr,
    authorization: Option<String>,
}

impl Client {
    /// A caller at an address, with the text of its `Authorization` header.
    pub(crate) fn new(address: SocketAddr, authorization: Option<String>) -> Self {
        // A connection for each request: none is found closed when it is used again.
        let agent = ureq::Agent::config_builder()
            .http_status_as_error(false)
            .max_redirects(0)
            .max_idle_connections(0)
            .proxy(None)
            .timeout_global(Some(Duration::from_secs(60)))
            .build()
            .into();
        Self { agent, address, authorization }
    }

    /// The keeper of the facility, who may do everything.
    pub(crate) fn keeper_at(address: SocketAddr) -> Self {
        Self::new(address, Some(format!("Bearer {}", token("keeper", KEEPER))))
    }

    /// A person who works in the boxes.
    pub(crate) fn researcher_at(address: SocketAddr, subject: &str) -> Self {
        Self::new(address, Some(format!("Bearer {}", token(subject, RESEARCHER))))
    }

    /// Sends a request to a path of the server.
    #[track_caller]
    pub(crate) fn send(
        &self,
        method: &str,
        path: &str,
        headers: &[(&str, &str)],
        body: Option<&[u8]>,
    ) -> Answer {
        self.exchange(method, path, headers, body).unwrap_or_else(|error| panic!("{method} {path}: {error}"))
    }

    fn exchange(
        &self,
        method: &str,
        path: &str,
        headers: &[(&str, &str)],
        body: Option<&[u8]>,
    ) -> Result<Answer, ureq::Error> {
        let mut request = Request::builder().method(method).uri(format!("http://{}{path}", self.address));
        if let Some(authorization) = &self.authorization {
            request = request.header("authorization", authorization);
        }
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        let mut response = match body {
            Some(body) => self.agent.run(request.body(body)?)?,
            None => self.agent.run(request.body(())?)?,
        };
        let text = response.body_mut().read_to_string()?;
        Ok(Answer {
            asked: format!("{method} {path}"),
            status: response.status().as_u16(),
            headers: response.headers().clone(),
            text,
        })
    }

    /// Creates, if the service is there to answer.
    pub(crate) fn try_post(&self, path: &str, body: &Value) -> Option<Answer> {
        let headers = [("content-type", "application/json")];
        self.exchange("POST", &under_base(path), &headers, Some(body.to_string().as_bytes())).ok()
    }

    /// Creates under a key, if the service is there to answer.
    pub(crate) fn try_post_once(&self, path: &str, key: &str, body: &Value) -> Option<Answer> {
        let headers = [("content-type", "application/json"), ("idempotency-key", key)];
        self.exchange("POST", &under_base(path), &headers, Some(body.to_string().as_bytes())).ok()
    }

    /// Fetches a path of the server, if the service is there to answer.
    pub(crate) fn try_get(&self, path: &str) -> Option<Answer> {
        self.exchange("GET", path, &[], None).ok()
    }

    #[track_caller]
    fn send_json(&self, method: &str, path: &str, headers: &[(&str, &str)], body: &Value) -> Answer {
        let mut all = vec![("content-type", "application/json")];
        all.extend_from_slice(headers);
        self.send(method, &under_base(path), &all, Some(body.to_string().as_bytes()))
    }

    /// Fetches.
    #[track_caller]
    pub(crate) fn get(&self, path: &str) -> Answer {
        self.send("GET", &under_base(path), &[], None)
    }

    /// Creates, or asks for something to be done.
    #[track_caller]
    pub(crate) fn post(&self, path: &str, body: &Value) -> Answer {
        self.send_json("POST", path, &[], body)
    }

    /// Creates under a key that makes the request recognisable.
    #[track_caller]
    pub(crate) fn post_once(&self, path: &str, key: &str, body: &Value) -> Answer {
        self.send_json("POST", path, &[("idempotency-key", key)], body)
    }

    /// Asks for something to be done to the version last seen.
    #[track_caller]
    pub(crate) fn post_with_etag(&self, path: &str, etag: &str, body: &Value) -> Answer {
        self.send_json("POST", path, &[("if-match", etag)], body)
    }

    /// Changes without saying which version.
    #[track_caller]
    pub(crate) fn patch(&self, path: &str, body: &Value) -> Answer {
        self.send_json("PATCH", path, &[], body)
    }

    /// Changes the version last seen.
    #[track_caller]
    pub(crate) fn patch_with_etag(&self, path: &str, etag: &str, body: &Value) -> Answer {
        self.send_json("PATCH", path, &[("if-match", etag)], body)
    }

    /// Removes without saying which version.
    #[track_caller]
    pub(crate) fn delete(&self, path: &str) -> Answer {
        self.send("DELETE", &under_base(path), &[], None)
    }

    /// Removes the version last seen.
    #[track_caller]
    pub(crate) fn delete_with_etag(&self, path: &str, etag: &str) -> Answer {
        self.send("DELETE", &under_base(path), &[("if-match", etag)], None)
    }

    /// Follows the links from page to page and returns every item.
    #[track_caller]
    pub(crate) fn get_all(&self, path: &str) -> Vec<Value> {
        let mut items = Vec::new();
        let mut next = Some(path.to_owned());
        while let Some(path) = next {
            let page = self.get(&path).is(200);
            items.extend(page.json()["items"].as_array().unwrap().iter().cloned());
            next = page.next_page();
        }
        items
    }
}

/// Paths are written without the base path; those in answers have it.
fn under_base(path: &str) -> String {
    if path.starts_with(BASE) { path.to_owned() } else { format!("{BASE}{path}") }
}

/// What a request was answered.
#[derive(Debug, Clone)]
pub(crate) struct Answer {
    asked: String,
    /// The HTTP status.
    pub(crate) status: u16,
    headers: HeaderMap,
    /// The body.
    pub(crate) text: String,
}

impl Answer {
    /// Fails unless the answer has the status.
    #[track_caller]
    pub(crate) fn is(self, status: u16) -> Self {
        assert_eq!(self.status, status, "{} answered {}: {}", self.asked, self.status, self.text);
        self
    }

    /// Fails unless the answer is problem details (RFC 9457) of the kind, whole
    /// and in keeping with the status line; returns them.
    #[track_caller]
    pub(crate) fn is_problem(&self, status: u16, kind: &str) -> Value {
        assert_eq!(self.status, status, "{} answered {}: {}", self.asked, self.status, self.text);
        assert_eq!(self.header("content-type"), Some("application/problem+json"), "{}", self.asked);
        let problem = self.json();
        assert_eq!(problem["type"], format!("/problems/{kind}"), "{}: {}", self.asked, self.text);
        assert_eq!(problem["status"], status, "{}: {}", self.asked, self.text);
        for member in ["title", "detail"] {
            assert!(problem[member].as_str().is_some_and(|text| !text.is_empty()), "{}", self.text);
        }
        problem
    }

    /// The codes of the violations, with the fields they are in, sorted.
    #[track_caller]
    pub(crate) fn violations(&self) -> Vec<(String, String)> {
        let problem = self.json();
        let listed = problem["violations"].as_array().unwrap_or_else(|| panic!("{}", self.text));
        let text = |value: &Value| value.as_str().unwrap().to_owned();
        let mut all: Vec<_> = listed.iter().map(|one| (text(&one["field"]), text(&one["code"]))).collect();
        all.sort();
        all
    }

    /// The body as JSON.
    #[track_caller]
    pub(crate) fn json(&self) -> Value {
        serde_json::from_str(&self.text)
            .unwrap_or_else(|error| panic!("{}: {error}: {}", self.asked, self.text))
    }

    /// A header.
    pub(crate) fn header(&self, name: &str) -> Option<&str> {
        self.headers.get(name).and_then(|value| value.to_str().ok())
    }

    /// The entity tag.
    #[track_caller]
    pub(crate) fn etag(&self) -> String {
        self.header("etag").unwrap_or_else(|| panic!("{} has no ETag", self.asked)).to_owned()
    }

    /// The id of the thing answered with.
    #[track_caller]
    pub(crate) fn id(&self) -> String {
        self.json()["id"].as_str().unwrap_or_else(|| panic!("{}: {}", self.asked, self.text)).to_owned()
    }

    /// The target of the link to the next page (RFC 8288).
    pub(crate) fn next_page(&self) -> Option<String> {
        let link = self.header("link")?;
        let (target, relation) = link.split_once('>')?;
        assert_eq!(relation.trim_start_matches([';', ' ']), "rel=\"next\"", "{}", self.asked);
        Some(target.trim_start_matches('<').to_owned())
    }
}
