// Package acceptance proves, on the real application, what the record promises: that a
// message sent again changes nothing, that the order of arrival does not matter, that a
// view can be thrown away and built again byte for byte, that what was acknowledged
// survives a kill, that nothing identifying leaves its place, and that the outside
// contract holds. It holds tests only. Its scenario is invented.
package acceptance
