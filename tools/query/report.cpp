#include "page/report.hpp"

#include "commands.hpp"
#include "text/printable.hpp"
#include "whole_file.hpp"

namespace nightwatt::query {
namespace {

Result<std::string> words_from(const char* what, const MaybeWord& word, std::size_t limit) {
  if (!word || word->empty()) return std::string();
  if (auto checked = text::check_text(what, *word, limit); !checked) return tl::unexpected(checked.error());
  return *word;
}

Result<bool> wants_chart(const MaybeWord& format) {
  if (!format || *format == "html") return false;
  if (*format == "svg") return true;
  return fail(ErrorKind::input, "--format is " + text::quoted(*format) + "; give html or svg");
}

}  // namespace

Outcome run(Context& context, const ReportArguments& arguments) {
  const auto chart = wants_chart(arguments.format);
  if (!chart) return tl::unexpected(chart.error());
  page::ReportRequest request{arguments.runs, {}, {}, context.now()};
  auto title = words_from("the title", arguments.title, text::name_limit);
  if (!title) return tl::unexpected(title.error());
  request.title = std::move(*title);
  auto note = words_from("the note", arguments.note, text::note_limit);
  if (!note) return tl::unexpected(note.error());
  request.note = std::move(*note);
  const auto store = context.open_reader();
  if (!store) return tl::unexpected(store.error());
  const auto report = page::report_of(*store, request);
  if (!report) return tl::unexpected(report.error());
  const std::string text = *chart ? page::report_chart(*report) : page::report_page(*report);
  if (auto written = write_whole_file(*arguments.file, text); !written) return tl::unexpected(written.error());
  const std::size_t runs = report->runs.size();
  if (context.json) {
    JsonWriter json(context.out);
    json.begin_document().field("file", *arguments.file).field("runs", static_cast<std::int64_t>(runs));
    json.field("bytes", static_cast<std::int64_t>(text.size())).end_object();
    context.out.write("\n");
  } else {
    context.out.write("Written: " + text::printable(*arguments.file) + ", " + std::to_string(runs) +
                      (runs == 1 ? " run, " : " runs, ") +
                      figures::number_text(static_cast<double>(text.size()) / 1e3, "kB") + ".\n");
  }
  return 0;
}

}  // namespace nightwatt::query
