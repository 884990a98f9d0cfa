//! A visitor of the pages without a browser: asks for pages, sends forms, keeps the cookie.

use std::time::Duration;

/// What a page answered.
#[derive(Debug, Clone)]
pub struct Page {
    /// Head lines, names in small letters.
    pub headers: Vec<(String, String)>,
    /// The HTTP status.
    pub status: u16,
    /// The body.
    pub text: String,
}

impl Page {
    /// The first head line of that name; empty where there is none.
    pub fn header(&self, name: &str) -> &str {
        self.headers.iter().find(|(one, _)| one == name).map_or("", |(_, value)| value.as_str())
    }

    /// Where it sends one, where it sends one elsewhere.
    #[track_caller]
    pub fn leads_to(&self) -> &str {
        assert_eq!(self.status, 303, "{}", self.text);
        self.header("location")
    }

    /// The page, where the status is 200.
    #[track_caller]
    pub fn good(self) -> String {
        assert_eq!(self.status, 200, "{}", self.text);
        self.text
    }

    /// What a hidden field of the page's forms holds.
    #[track_caller]
    pub fn hidden(&self, name: &str) -> String {
        hidden(&self.text, name).unwrap_or_else(|| panic!("the page has a field {name}: {}", self.text))
    }
}

/// What a hidden field of a page holds. Names and values of ours are plain.
pub fn hidden(page: &str, name: &str) -> Option<String> {
    let field = page.split(&format!("name=\"{name}\" value=\"")).nth(1)?;
    Some(field.split('"').next().unwrap_or_default().to_owned())
}

/// A visitor at one device.
#[derive(Clone)]
pub struct Visitor {
    agent: ureq::Agent,
    /// The session's cookie, name and value; empty where nobody is signed in.
    pub cookie: String,
    url: String,
}

impl Visitor {
    /// Somebody who is not signed in.
    pub fn stranger(url: &str) -> Self {
        let agent = ureq::Agent::config_builder()
            .http_status_as_error(false)
            .max_redirects(0)
            .max_redirects_will_error(false)
            .timeout_global(Some(Duration::from_secs(60)))
            .build()
            .new_agent();
        Self { agent, cookie: String::new(), url: url.to_owned() }
    }

    /// The same visitor with another session's cookie.
    #[must_use]
    pub fn with_session(&self, token: &str) -> Self {
        Self { cookie: format!("__Host-tallyseal={token}"), ..self.clone() }
    }

    /// Signs in by the form; gives the visitor and what was answered.
    pub fn sign_in(url: &str, account: &str, password: &str) -> (Self, Page) {
        let mut visitor = Self::stranger(url);
        let typed = [("account", account), ("password", password), ("device", "D-PAGES"), ("back", "/orders?a=b")];
        let page = visitor.send("/sign-in", &typed);
        let cookies = page.headers.iter().filter(|(name, _)| name == "set-cookie");
        let session = cookies.map(|(_, value)| value.as_str()).find(|value| value.starts_with("__Host-tallyseal="));
        if let Some(session) = session {
            visitor.cookie = session.split(';').next().unwrap_or_default().to_owned();
        }
        (visitor, page)
    }

    /// Asks for a page.
    pub fn get(&self, path: &str) -> Page {
        self.ask("GET", path, &[], None)
    }

    /// Asks for a page with more head lines.
    pub fn get_with(&self, path: &str, headers: &[(&str, &str)]) -> Page {
        self.ask("GET", path, headers, None)
    }

    /// Sends a form just as it is.
    pub fn send(&self, path: &str, typed: &[(&str, &str)]) -> Page {
        self.send_with(path, &[], typed)
    }

    /// Sends a form with more head lines.
    pub fn send_with(&self, path: &str, headers: &[(&str, &str)], typed: &[(&str, &str)]) -> Page {
        let encoded: Vec<String> =
            typed.iter().map(|(name, text)| format!("{}={}", coded(name), coded(text))).collect();
        self.ask("POST", path, headers, Some(encoded.join("&")))
    }

    /// Fills in the form of an act as its page gives it, and sends it. `typed` comes over what the page has.
    pub fn act(&self, name: &str, query: &str, typed: &[(&str, &str)]) -> Page {
        let page = self.get(&format!("/acts/{name}?{query}"));
        let (token, act) = (page.hidden("form_token"), page.hidden("act"));
        let role = hidden(&page.text, "role").unwrap_or_default();
        let mut all = vec![("form_token", token.as_str()), ("act", act.as_str()), ("role", role.as_str())];
        all.extend(typed);
        self.send(&format!("/acts/{name}"), &all)
    }

    fn ask(&self, method: &str, path: &str, headers: &[(&str, &str)], form: Option<String>) -> Page {
        let mut request = ureq::http::Request::builder().method(method).uri(format!("{}{path}", self.url));
        if !self.cookie.is_empty() {
            request = request.header("Cookie", &self.cookie);
        }
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        let sent = match form {
            Some(form) => {
                let request = request.header("Content-Type", "application/x-www-form-urlencoded");
                self.agent.run(request.body(form).unwrap())
            }
            None => self.agent.run(request.body(()).unwrap()),
        };
        let mut response = sent.unwrap();
        let headers = response.headers().iter();
        let headers = headers.map(|(name, value)| (name.as_str().to_owned(), value.to_str().unwrap_or("").to_owned()));
        Page {
            headers: headers.collect(),
            status: response.status().as_u16(),
            text: response.body_mut().read_to_string().unwrap_or_default(),
        }
    }
}

/// A text as forms send it (WHATWG URL, application/x-www-form-urlencoded).
fn coded(text: &str) -> String {
    let mut out = String::new();
    for byte in text.bytes() {
        match byte {
            b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'-' | b'.' | b'_' | b'*' => out.push(char::from(byte)),
            b' ' => out.push('+'),
            other => out.push_str(&format!("%{other:02X}")),
        }
    }
    out
}
