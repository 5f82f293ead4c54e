#include "report/report.hpp"

#include <cstdint>

#include "context.hpp"
#include "text/printable.hpp"
#include "whole_file.hpp"

namespace nightwatt::query {
namespace {

Result<std::string> words_from(const char* what, const MaybeWord& word, std::size_t limit) {
  if (!word || word->empty()) return std::string();
  if (auto checked = text::check_text(what, *word, limit); !checked) return tl::unexpected(checked.error());
  return *word;
}

enum class Format : std::uint8_t { html, svg, png };

Result<Format> format_from(const MaybeWord& format) {
  if (!format || *format == "html") return Format::html;
  if (*format == "svg") return Format::svg;
  if (*format == "png") return Format::png;
  return fail(ErrorKind::input, "--format is " + text::quoted(*format) + "; give html, svg or png");
}

/// Twice the size in which a picture is shown: sharp on the screens of today.
constexpr double png_scale = 2.0;

Result<std::string> bytes_of(const report::Report& report, Format format) {
  switch (format) {
    case Format::html:
      return report::report_page(report);
    case Format::svg:
      return report::report_picture(report).svg;
    case Format::png:
      break;
  }
  return report::png_of(report::report_picture(report), png_scale);
}

}  // namespace

Outcome run(Context& context, const ReportArguments& arguments) {
  const auto format = format_from(arguments.format);
  if (!format) return tl::unexpected(format.error());
  const bool to_standard_output = arguments.file == standard_output;
  if (to_standard_output && context.json)
    return fail(ErrorKind::input, "-o - writes the report where --json answers; give the name of a file, or no --json");
  report::ReportRequest request{arguments.runs, {}, {}, context.now()};
  auto title = words_from("the title", arguments.title, text::name_limit);
  if (!title) return tl::unexpected(title.error());
  request.title = std::move(*title);
  auto note = words_from("the note", arguments.note, text::note_limit);
  if (!note) return tl::unexpected(note.error());
  request.note = std::move(*note);
  const auto store = context.open_reader();
  if (!store) return tl::unexpected(store.error());
  const auto report = report::report_of(*store, request);
  if (!report) return tl::unexpected(report.error());
  const auto bytes = bytes_of(*report, *format);
  if (!bytes) return tl::unexpected(bytes.error());
  if (to_standard_output) {
    context.out.write(*bytes);
    return 0;
  }
  if (auto written = write_whole_file(*arguments.file, *bytes); !written) return tl::unexpected(written.error());
  const std::size_t runs = report->runs.size();
  if (context.json) {
    JsonWriter json(context.out);
    json.begin_document().field("file", *arguments.file).field("runs", static_cast<std::int64_t>(runs));
    json.field("bytes", static_cast<std::int64_t>(bytes->size())).end_object();
    context.out.write("\n");
  } else {
    context.out.write("Written: " + text::printable(*arguments.file) + ", " + std::to_string(runs) +
                      (runs == 1 ? " run, " : " runs, ") +
                      figures::number_text(static_cast<double>(bytes->size()) / 1e3, "kB") + ".\n");
  }
  return 0;
}

}  // namespace nightwatt::query
