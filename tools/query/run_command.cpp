#include "run_command.hpp"

#include <algorithm>
#include <exception>
#include <optional>

#include "command_line.hpp"
#include "context.hpp"
#include "mirror_store.hpp"

namespace nightwatt::query {
namespace {

int report(Sink& err, const Error& error) {
  std::string line = error.message;
  std::replace(line.begin(), line.end(), '\n', ' ');
  err.write("nightwatt: " + line + "\n");
  err.flush();
  return static_cast<int>(error.kind);
}

}  // namespace

int run_command(std::span<const std::string> words, Sink& out, Sink& err, const Environment& environment) {
  auto line = parse_command_line(words);
  if (!line) return report(err, line.error());
  if (!line->text.empty()) {
    out.write(line->text);
    out.flush();
    return 0;
  }
  std::optional<mirror::FetchedStore> fetched;
  if (line->mirror) {
    auto store = fetch_mirror(*line);
    if (!store) return report(err, store.error());
    fetched.emplace(std::move(*store));
    line->options.store = fetched->path();
  }
  std::string unsaid;
  Sink silence(unsaid);
  Environment quiet_environment = environment;
  if (line->options.quiet) quiet_environment.err_is_terminal = false;
  Context context(line->options, out, line->options.quiet ? silence : err,
                  line->options.quiet ? quiet_environment : environment);
  const Outcome outcome = std::visit(
      [&](const auto& arguments) -> Outcome {
        if constexpr (std::is_same_v<std::decay_t<decltype(arguments)>, std::monostate>)
          return fail(ErrorKind::input, "no command given; see nightwatt --help");
        else
          return run(context, arguments);
      },
      line->command);
  out.flush();
  if (!outcome) return report(err, outcome.error());
  if (out.failed()) return report(err, {ErrorKind::unusable, "the answer could not be written; is the disk full?"});
  return *outcome;
}

}  // namespace nightwatt::query
