#include "report/png.hpp"

#include <cmath>
#include <cstdint>
#include <memory>

#include "system/loaded_library.hpp"

namespace nightwatt::report {
namespace {

/// More is no picture that anybody posts, and memory without end.
constexpr double largest_side = 16'000.0;

struct Rectangle {
  double x, y, width, height;
};
using Write = int (*)(void* into, const unsigned char* bytes, unsigned int count);

/// The library's calls, and those of cairo and GObject, which it brings. Opaque things are void.
struct Calls {
  void* (*handle_new_from_data)(const std::uint8_t*, std::size_t, void**) = nullptr;
  int (*handle_render_document)(void*, void*, const Rectangle*, void**) = nullptr;
  void (*object_unref)(void*) = nullptr;
  void* (*surface_create)(int, int, int) = nullptr;
  int (*surface_status)(void*) = nullptr;
  void (*surface_destroy)(void*) = nullptr;
  void* (*create)(void*) = nullptr;
  void (*destroy)(void*) = nullptr;
  int (*write_to_png_stream)(void*, Write, void*) = nullptr;
};

void find(LibraryCalls& library, Calls& calls) {
  library.find("rsvg_handle_new_from_data", calls.handle_new_from_data)
      .find("rsvg_handle_render_document", calls.handle_render_document)
      .find("g_object_unref", calls.object_unref)
      .find("cairo_image_surface_create", calls.surface_create)
      .find("cairo_surface_status", calls.surface_status)
      .find("cairo_surface_destroy", calls.surface_destroy)
      .find("cairo_create", calls.create)
      .find("cairo_destroy", calls.destroy)
      .find("cairo_surface_write_to_png_stream", calls.write_to_png_stream);
}

Result<const Calls*> calls_of_library() {
  // The file's name is that of its interface, the same since 2.14.
  static LoadedLibrary<Calls> library(
      "librsvg-2.so.2", "a PNG needs librsvg-2.so.2: install Debian's package librsvg2-2, or give --format svg", find);
  return library.get();
}

using Owned = std::unique_ptr<void, void (*)(void*)>;

int append(void* into, const unsigned char* bytes, unsigned int count) {
  static_cast<std::string*>(into)->append(reinterpret_cast<const char*>(bytes), count);
  return 0;
}

}  // namespace

Result<std::string> png_of(const Picture& picture, double scale) {
  const double width = std::ceil(picture.width * scale), height = std::ceil(picture.height * scale);
  if (!(width >= 1.0 && height >= 1.0 && width <= largest_side && height <= largest_side))
    return fail(ErrorKind::input, "the picture would be too large for a PNG; name fewer runs, or give --format svg");
  const auto library = calls_of_library();
  if (!library) return tl::unexpected(library.error());
  const Calls* calls = *library;
  constexpr int with_transparency = 0;
  const Owned svg(calls->handle_new_from_data(reinterpret_cast<const std::uint8_t*>(picture.svg.data()),
                                              picture.svg.size(), nullptr),
                  calls->object_unref);
  const Owned surface(calls->surface_create(with_transparency, static_cast<int>(width), static_cast<int>(height)),
                      calls->surface_destroy);
  const Owned pen(calls->create(surface.get()), calls->destroy);
  const Rectangle whole{0.0, 0.0, width, height};
  std::string png;
  if (!svg || calls->surface_status(surface.get()) != 0 ||
      calls->handle_render_document(svg.get(), pen.get(), &whole, nullptr) == 0 ||
      calls->write_to_png_stream(surface.get(), append, &png) != 0)
    return fail(ErrorKind::unusable, "the picture could not be drawn; --format svg gives it as it is");
  return png;
}

}  // namespace nightwatt::report
