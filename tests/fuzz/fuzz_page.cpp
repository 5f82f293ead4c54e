// The status page's own parsers: target, cookie, bearer header, host.
#include <cstddef>
#include <cstdint>
#include <cstdlib>
#include <string_view>

#include "page/limits.hpp"
#include "page/target.hpp"

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  using namespace nightwatt::daemon::page;
  const std::string_view words(reinterpret_cast<const char*>(data), size);
  if (const auto target = parse_target(words)) {
    if (!words.starts_with(target->path) || target->path.find('?') != std::string::npos) std::abort();
    if (target->token && target->token->size() > target_limit) std::abort();
    (void)run_of_path(target->path);
  }
  const auto within = [&](std::string_view part) {
    return part.data() >= words.data() && part.data() + part.size() <= words.data() + words.size();
  };
  if (const auto value = cookie_value(words, "nightwatt_page"); value && !within(*value)) std::abort();
  if (const auto token = bearer_token(words); token && (token->empty() || !within(*token))) std::abort();
  (void)names_loopback(words);
  return 0;
}
