#include "site.hpp"

#include "page_files.hpp"

namespace nightwatt::daemon::page {

std::optional<SiteFile> site_file(std::string_view path) {
  if (path == "/") return SiteFile{html_type, embedded::page_html};
  if (path == "/page.css") return SiteFile{"text/css; charset=utf-8", embedded::page_css};
  if (path == "/page.js") return SiteFile{"text/javascript; charset=utf-8", embedded::page_js};
  if (path == "/icon.svg") return SiteFile{"image/svg+xml", embedded::icon_svg};
  return std::nullopt;
}

bool is_public(std::string_view path) {
  return path == "/page.css" || path == "/icon.svg";
}

std::string login_html(bool wrong) {
  std::string html(embedded::login_html);
  const auto fill = [&html](std::string_view name, std::string_view text) {
    html.replace(html.find(name), name.size(), text);
  };
  fill("{{why}}", wrong ? "That was not the token." : "This page wants its token.");
  fill("{{invalid}}", wrong ? " aria-invalid=\"true\"" : "");
  return html;
}

}  // namespace nightwatt::daemon::page
