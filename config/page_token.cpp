#include "config/config.hpp"
#include "page_parser.hpp"
#include "secret_file.hpp"

namespace nightwatt::config {
namespace {

constexpr std::string_view what = "token file";

}  // namespace

Result<std::string> page_token(const PageConfig& page) {
  if (page.token_file.empty()) return page.token;
  auto token = read_secret_file(what, page.token_file, longest_token);
  if (!token) return token;
  const std::string fault = token_fault(*token);
  if (!fault.empty())
    return refuse_secret_file(what, page.token_file, "holds no good token: it " + fault + "; openssl rand -hex 16");
  return token;
}

}  // namespace nightwatt::config
