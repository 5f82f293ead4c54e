// The page's own files, compiled in.
#pragma once

#include <optional>
#include <string>
#include <string_view>

namespace nightwatt::daemon::page {

inline constexpr const char* html_type = "text/html; charset=utf-8";

struct SiteFile {
  std::string_view type;
  std::string_view text;
};
/// `/`, `/page.css`, `/page.js`, ...: what can be had without the store.
[[nodiscard]] std::optional<SiteFile> site_file(std::string_view path);
/// Those of them that whoever has no token yet needs for the login form.
[[nodiscard]] bool is_public(std::string_view path);

/// Asks for the token; `wrong`: the last one was.
[[nodiscard]] std::string login_html(bool wrong);

}  // namespace nightwatt::daemon::page
